"""Small pictures for the index page."""

import logging
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.errors import StackerError
from stacker.settings import ReadSettings

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

__all__ = ["THUMBNAILS", "write_thumbnail"]

_log = logging.getLogger(__name__)

THUMBNAILS = "index_files"
_SIZE_PX = (480, 360)
_QUALITY = 82  # JPEG; some 25 KB


def write_thumbnail(
    master: Path, results: str, name: str, preview: "npt.NDArray[np.uint8] | None"
) -> str:
    """Write a small picture of a result for the index page.

    Parameters
    ----------
    master : Path
        The picture itself.
    results : str
        Folder of the results.
    name : str
        Of the result below it, with slashes, without suffix.
    preview : (H, W) or (H, W, 3) uint8 array, sRGB, or None
        Where there is one; else the master is read.

    Returns
    -------
    str
        Its path below the results; "" where it could not be written.
    """
    from PIL import Image  # noqa: PLC0415  heavy

    from stacker.files.single import write_whole  # noqa: PLC0415

    path = f"{THUMBNAILS}/{name}.jpg"
    target = Path(results) / path
    try:
        image = Image.fromarray(_preview_of(master) if preview is None else preview)
        image.thumbnail(_SIZE_PX)
        buffer = BytesIO()
        image.save(buffer, "JPEG", quality=_QUALITY)
        target.parent.mkdir(parents=True, exist_ok=True)
        write_whole(target, buffer.getvalue(), overwrite=True)
    except (OSError, StackerError):  # the picture itself is safe
        _log.debug("no thumbnail of %s", master, exc_info=True)
        return ""
    return path


def _preview_of(master: Path) -> "npt.NDArray[np.uint8]":
    """Small sRGB picture of a master that was made before."""
    from stacker.files.header import decode, read_header  # noqa: PLC0415  heavy
    from stacker.report.images import srgb_preview  # noqa: PLC0415

    header = read_header(master, max_pixels=ReadSettings().max_pixels)
    return srgb_preview(decode(header, threads=1), header.info.icc_profile)
