"""The hand-off: a folder with everything a retoucher needs to paint a frame back in.

``NAME.handoff`` holds ``frames/`` (aligned, in the master's light, 16 bit), ``masks/``
(each frame's share of the blend, 8 bit), the layered TIFF and, where asked for, an
OpenRaster file. It appears whole or not at all.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path, PurePath
from typing import Any

import numpy as np
import numpy.typing as npt

from stacker.errors import InputError, OutputError
from stacker.events import Event, OnEvent, ignore_event
from stacker.files import Metadata, Results, read_metadata
from stacker.files.tiffwrite import write_tiff
from stacker.frame import Box
from stacker.handoff.layers import LayerWriter
from stacker.handoff.opened import OpenedResult, as_16_bit
from stacker.handoff.openraster import OpenRasterWriter
from stacker.report.images import srgb_preview
from stacker.report.wording import visible
from stacker.settings import HandoffSettings, OutputSettings

__all__ = ["HANDOFF_SUFFIX", "Handoff", "write_handoff"]

HANDOFF_SUFFIX = ".handoff"
CONTENTS = "contents.json"
"""List of the files, for programs, and to know them from what a retoucher has added."""
BAND_ROWS = 512
"""Rows of a mask that are computed at a time: weights are float, masks are bytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Handoff:
    """What was written.

    Attributes
    ----------
    folder : Path
        NAME.handoff.
    frames : tuple of int
        Numbers of the frames in it.
    files : tuple of Path
        All files, within the folder.
    """

    folder: Path
    frames: tuple[int, ...]
    files: tuple[Path, ...]


def write_handoff(
    result: OpenedResult,
    settings: HandoffSettings | None = None,
    *,
    only: Sequence[int] | None = None,
    into: str | PathLike[str] | None = None,
    on_event: OnEvent = ignore_event,
) -> Handoff:
    """Write the hand-off of a finished fusion.

    Parameters
    ----------
    result : OpenedResult
        From `open_result`.
    settings : HandoffSettings, optional
        Defaults where left out.
    only : sequence of int, optional
        Numbers of the frames to include; all that took part where left out.
    into : path, optional
        Folder in which NAME.handoff is made; that of the master where left out.
    on_event : callable
        Receives progress. It may raise to stop the work.

    Returns
    -------
    Handoff

    Raises
    ------
    InputError
        `only` names a frame that is not there or was left out, or no frame is left.
    FrameReadError
        A frame's file is not there any more, or is another one.
    OutputError, OutputExistsError
        It cannot be written, is there already, or holds files of somebody else.
    """
    settings = settings or HandoffSettings()
    numbers = _chosen(result, only, settings.min_share)
    folder = result.folder if into is None else Path(into)
    target = folder / (result.master_path.stem + HANDOFF_SUFFIX)
    _check_foreign(target)
    with Results(
        folder / result.master_path.name,
        settings=OutputSettings(overwrite=settings.overwrite),
        only=[HANDOFF_SUFFIX],
        inputs=result.frame_paths,
    ) as results:
        with results.writing(HANDOFF_SUFFIX) as hidden:
            hidden.mkdir()
            names = _Writer(result, settings, hidden).write(numbers, on_event)
        results.commit()
    files = tuple(target / name for name in names)
    return Handoff(folder=target, frames=numbers, files=files)


def _chosen(
    result: OpenedResult, only: Sequence[int] | None, min_share: float
) -> tuple[int, ...]:
    frames = result.record["frames"]
    wanted = result.used if only is None else sorted(set(only))
    for k in wanted:
        if k not in result.used:
            reason = "was left out" if 0 <= k < result.n_frames else "does not exist"
            msg = f"frame {k} {reason}: choose from {_listed(result.used)}"
            raise InputError(msg)
    numbers = tuple(k for k in wanted if frames[k]["share"] >= min_share)
    if not numbers:
        msg = (
            f"no frame has a share of {min_share:g} of the master: nothing to hand off"
        )
        raise InputError(msg)
    return numbers


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(str(k) for k in numbers)


def _check_foreign(target: Path) -> None:
    """Refuse to replace a folder that holds anybody else's files."""
    if not target.is_dir():
        return
    try:
        ours = set(json.loads((target / CONTENTS).read_bytes())["files"])
    except (OSError, ValueError, KeyError, TypeError):
        ours = set()
    found = {str(p.relative_to(target)) for p in target.rglob("*") if not p.is_dir()}
    foreign = sorted(found - ours - {CONTENTS})
    if foreign:
        msg = (
            f"{target}: holds {visible(foreign[0])}, which is not of the hand-off; "
            "move it away, or give another folder"
        )
        raise OutputError(msg)


class _Writer:
    """Writes the files of one hand-off into a folder, a frame at a time."""

    def __init__(
        self, result: OpenedResult, settings: HandoffSettings, folder: Path
    ) -> None:
        self.result = result
        self.settings = settings
        self.folder = folder
        self.stem = result.master_path.stem
        own = read_metadata(result.master_path)
        # Aligned frames are no finished pictures: profile and resolution, no capture data.
        resolution = tuple(e for e in own.main if e.code in (282, 283, 296))
        self.metadata = Metadata(icc_profile=own.icc_profile, main=resolution)
        self.output = OutputSettings(compression=settings.compression)
        self.names: list[str] = []

    def write(self, numbers: Sequence[int], on_event: OnEvent) -> list[str]:
        """Write everything; answer the names of the files."""
        result = self.result
        for part in ("frames", "masks"):
            (self.folder / part).mkdir()
        with _Layers(self, len(numbers) + 1) as layers:
            for done, number in enumerate(numbers, start=1):
                pixels = result.aligned_frame(number)
                mask = self._mask(number)
                self._tiff(f"frames/{self._file(number)}", pixels)
                self._tiff(f"masks/{self._file(number)}", mask, is_mask=True)
                layers.add(as_16_bit(pixels), self._layer_name(number), mask)
                on_event(Event(stage="write", done=done, total=len(numbers)))
        contents = {
            "master": result.master_path.name,
            "frames": [
                {
                    "number": k,
                    "file": result.record["frames"][k]["file"],
                    "frame": f"frames/{self._file(k)}",
                    "mask": f"masks/{self._file(k)}",
                }
                for k in numbers
            ],
            "files": [*self.names, *layers.names],
        }
        text = json.dumps(contents, indent=2).encode("utf-8")
        (self.folder / CONTENTS).write_bytes(text + b"\n")
        return [*self.names, *layers.names, CONTENTS]

    def _file(self, number: int) -> str:
        digits = len(str(self.result.n_frames - 1))
        return f"{self.stem}_{number:0{max(2, digits)}}.tif"

    def _layer_name(self, number: int) -> str:
        name = PurePath(self.result.record["frames"][number]["file"]).name
        return f"frame {number}: {visible(name)}"

    def _mask(self, number: int) -> npt.NDArray[np.uint8]:
        height, width = self.result.shape
        mask = np.empty((height, width), np.uint8)
        for row in range(0, height, BAND_ROWS):
            rows = min(BAND_ROWS, height - row)
            band = Box(row=row, column=0, height=rows, width=width)
            share = self.result.weights(number, band)
            np.rint(share * 255, out=share)
            mask[row : row + rows] = share
        return mask

    def _tiff(
        self, name: str, pixels: npt.NDArray[Any], *, is_mask: bool = False
    ) -> None:
        metadata = Metadata() if is_mask else self.metadata
        write_tiff(self.folder / name, pixels, metadata, self.output)
        self.names.append(name)


class _Layers:
    """The layered files that were asked for, written side by side."""

    def __init__(self, writer: _Writer, n_layers: int) -> None:
        settings, result = writer.settings, writer.result
        self.names: list[str] = []
        self._writers: list[LayerWriter | OpenRasterWriter] = []
        if not (settings.layers or settings.openraster):
            return
        master = result.picture()
        channels = 1 if master.ndim == 2 else 3
        icc_profile = writer.metadata.icc_profile
        if settings.layers:
            name = f"{writer.stem}.layers.tif"
            layers = LayerWriter(
                writer.folder / name,
                (*result.shape, channels),
                n_layers,
                icc_profile=icc_profile,
                compression=settings.compression,
            )
            layers.add(master, "fused")
            self.names.append(name)
            self._writers.append(layers)
        if settings.openraster:
            name = f"{writer.stem}.ora"
            self._writers.append(
                OpenRasterWriter(
                    writer.folder / name,
                    master,
                    srgb_preview(master, icc_profile),
                    icc_profile=icc_profile,
                )
            )
            self.names.append(name)

    def add(
        self,
        pixels: npt.NDArray[np.uint16],
        name: str,
        mask: npt.NDArray[np.uint8],
    ) -> None:
        for writer in self._writers:
            writer.add(pixels, name, mask)

    def __enter__(self) -> "_Layers":
        return self

    def __exit__(self, *error: Any) -> None:
        for writer in self._writers:
            writer.__exit__(*error)
