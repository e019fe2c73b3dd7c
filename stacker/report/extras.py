"""Files beside a master that are made only where they are asked for."""

import os
from urllib.parse import quote

import numpy as np
import numpy.typing as npt

from stacker.files import Results
from stacker.frame import FusionResult
from stacker.report.cloud import write_cloud
from stacker.report.record import Record
from stacker.report.tiles import write_tiles
from stacker.settings import OutputSettings

__all__ = ["EXTRA_SUFFIXES", "write_extras"]

EXTRA_SUFFIXES = {"preview": ".preview.jpg", "page_tiles": ".tiles", "ply": ".ply"}
"""By the setting that asks for them."""


def write_extras(
    results: Results,
    result: FusionResult,
    preview: npt.NDArray[np.uint8],
    icc_profile: bytes | None,
    settings: OutputSettings,
    record: Record,
) -> None:
    """Write the preview, the tiles of the page and the point cloud, as asked for.

    Parameters
    ----------
    results : Results
        Takes the files.
    result : FusionResult
        Not modified.
    preview : (h, w, 3) uint8 array
        The master in sRGB, small.
    icc_profile : bytes or None
        The master's profile.
    settings : OutputSettings
        Which to write.
    record : dict
        Its ``tiles`` are set, so that the page finds them.
    """
    if settings.preview:
        results.write_preview(preview)
    if settings.page_tiles:
        with results.writing(".tiles") as folder:
            pyramid = write_tiles(folder, result.picture, icc_profile)
        name = results.path(".tiles").name
        record["tiles"] = {
            "folder": quote(os.fsencode(name)),
            "size": pyramid.size,
            "levels": pyramid.levels,
        }
    if settings.ply:
        with results.writing(".ply") as path:
            write_cloud(
                path,
                result,
                icc_profile,
                distances_mm=record["depth"].get("distance_mm"),
                pixel_mm=settings.pixel_mm,
            )
