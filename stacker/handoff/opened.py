"""A finished fusion in files, for scripts: plain arrays, whole or in windows.

Nothing is read before it is asked for, and of a region only what it needs.
"""

import contextlib
import json
import os
from collections.abc import Mapping
from dataclasses import fields
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt

from stacker.errors import FrameReadError, InputError
from stacker.files import FileSource, Results, read_metadata, transfer_table
from stacker.files.boundary import one_line
from stacker.files.header import decode, read_header
from stacker.files.window import tiff_window
from stacker.frame import Box, FrameRecord, ImageF32, Pixels
from stacker.handoff.history import edit_now
from stacker.handoff.weights import blend_weights
from stacker.report.distances import depth_mm
from stacker.report.record import SCHEMA, Record
from stacker.resample import AlignedFrames, within
from stacker.settings import OutputSettings, ReadSettings

__all__ = ["REPORT_SUFFIX", "OpenedResult", "as_16_bit", "open_result", "read_part"]

_Settings = TypeVar("_Settings", ReadSettings, OutputSettings)

REPORT_SUFFIX = ".report.json"
OWN_FILES_MAX_PIXELS = 1 << 40
"""No limit: the limit on reading was kept when the frames were fused."""


def open_result(
    path: str | PathLike[str], *, frames_in: str | PathLike[str] | None = None
) -> "OpenedResult":
    """Open a finished fusion.

    Parameters
    ----------
    path : path
        The master, DIR/NAME.tif, or its report, DIR/NAME.report.json.
    frames_in : path, optional
        Folder in which the frames lie, where they have been moved.

    Returns
    -------
    OpenedResult

    Raises
    ------
    FrameReadError
        There is no report beside the master, or it is none of ours.
    """
    return OpenedResult(path, frames_in=frames_in)


class OpenedResult:
    """The files of a fusion as arrays.

    Every method that takes `box` reads that region only; all of the picture where it is
    left out. Arrays are the caller's to keep and change.

    Attributes
    ----------
    record : dict
        What ``NAME.report.json`` holds.
    report_path, master_path : Path
        Where the report and the master are.
    shape : (int, int)
        Height and width of the master.
    n_frames : int
        Frames in the bracket.
    """

    def __init__(
        self,
        path: str | PathLike[str],
        *,
        frames_in: str | PathLike[str] | None = None,
    ) -> None:
        given = Path(path)
        is_report = given.name.endswith(REPORT_SUFFIX)
        self.report_path = (
            given if is_report else given.with_name(given.stem + REPORT_SUFFIX)
        )
        self.record: Record = _read_record(self.report_path)
        self.folder = self.report_path.parent
        self.master_path = self.file("master")
        self._frames_in = None if frames_in is None else Path(frames_in)
        size = self.record["size"]
        self.shape = (int(size["height"]), int(size["width"]))
        self.n_frames = len(self.record["frames"])

    # The result ------------------------------------------------------------------

    def file(self, kind: str) -> Path:
        """Path of one of the result's files: "master", "depth", "coverage", ..."""
        return self.folder / Path(self.record["outputs"][kind]).name

    def picture(self, box: Box | None = None) -> Pixels:
        """Pixels of the master, encoded as in the file: (h, w) or (h, w, 3)."""
        return self._part("master", box)

    def depth(self, box: Box | None = None) -> ImageF32:
        """Depth as fractional frame number, (h, w) float32 in [0, n - 1]."""
        scale = np.float32(max(self.n_frames - 1, 1) / 65535)
        return self._part("depth", box).astype(np.float32) * scale

    def depth_mm(self, box: Box | None = None) -> ImageF32:
        """Distance in mm, (h, w) float32.

        Raises
        ------
        InputError
            The report knows no distances.
        """
        distances = self.record["depth"].get("distance_mm")
        if not distances:
            msg = (
                f"{self.report_path}: no focus distances are known, "
                "fuse with --near and --far to have depth in mm"
            )
            raise InputError(msg)
        return depth_mm(self.depth(box), distances)

    def confidence(self, box: Box | None = None) -> ImageF32:
        """How sure the depth is, (h, w) float32: 0 = a guess, 1 = certain."""
        return self._part("confidence", box).astype(np.float32) * np.float32(1 / 255)

    def coverage(self, box: Box | None = None) -> Pixels:
        """Label of the frame that contributed most, (h, w) uint8 or uint16."""
        return self._part("coverage", box)

    def map(self, kind: str) -> Pixels:
        """Give a map as it is in its file: "depth", "confidence" or "coverage"."""
        return self._part(kind, None)

    # The frames ------------------------------------------------------------------

    @property
    def used(self) -> tuple[int, ...]:
        """Numbers of the frames that took part in the fusion."""
        return tuple(k for k, f in enumerate(self.record["frames"]) if f["used"])

    def aligned_frame(self, number: int, box: Box | None = None) -> Pixels:
        """Frame `number` in the master's geometry and light, as it was fused.

        Returns
        -------
        (h, w) or (h, w, 3) uint16 array
            In the master's colour space; places that the frame does not show repeat its
            edge.

        Raises
        ------
        InputError
            No such frame, one that was left out, or a region outside the master.
        FrameReadError
            The frame's file is not there any more, or is another one.
        """
        return self.aligned.window(number, box)

    def weights(self, number: int, box: Box | None = None) -> ImageF32:
        """Share of frame `number` in the blend, (h, w) float32, 0..1.

        Over all frames the shares of a pixel sum to 1. They are those that the maps in the
        files give by the rule of the fusion; the fusion had these maps at half size and
        finer steps. Patches count.

        Raises
        ------
        InputError
            No such frame, or a region outside the master.
        """
        self._check_number(number)
        box = self.whole if box is None else within(box, self.shape)
        share = blend_weights(
            self._part("depth", box),
            self._part("confidence", box),
            self._part("coverage", box),
            number,
            self.used,
            self.n_frames,
        )
        for patch in self.record.get("patches", []):
            self._blend_patch(share, patch, number, box)
        return share

    @property
    def whole(self) -> Box:
        """All of the master."""
        return Box(row=0, column=0, height=self.shape[0], width=self.shape[1])

    @cached_property
    def frame_paths(self) -> tuple[Path, ...]:
        """Where the frames' files are.

        Raises
        ------
        FrameReadError
            A file is not where the report says, nor beside the report.
        """
        return tuple(self._locate(f["file"]) for f in self.record["frames"])

    @cached_property
    def source(self) -> FileSource:
        """The frames as they were read for the fusion."""
        settings = _known(ReadSettings, self.record["settings"].get("read", {}))
        source = FileSource(self.frame_paths, settings)
        info = source.infos[0]
        if (info.height, info.width) != self.shape:
            raise FrameReadError(
                info.name,
                f"has {info.width} x {info.height} pixels, the frames that were fused "
                f"had {self.shape[1]} x {self.shape[0]}: is it another file?",
            )
        return source

    @cached_property
    def aligned(self) -> AlignedFrames:
        """The frames on the master's grid."""
        info = self.source.infos[0]
        table = transfer_table(info.icc_profile, info.n_channels).table
        return AlignedFrames(
            self.source, self.frame_records(), table, n_threads=os.cpu_count() or 1
        )

    def frame_records(self) -> tuple[FrameRecord, ...]:
        """Read from the report what the fusion found out about each frame."""
        return tuple(
            FrameRecord(
                transform=np.array(f["transform"], dtype=np.float64),
                correlation=f["correlation"],
                gain_ev=tuple(f["gain_ev"]),
                share=f["share"],
                used=f["used"],
                warnings=tuple(f["warnings"]),
            )
            for f in self.record["frames"]
        )

    def write_master(
        self,
        path: str | PathLike[str],
        pixels: Pixels,
        *,
        words: str = "pixels changed by a script",
        overwrite: bool = False,
    ) -> Path:
        """Write a picture of your own with the master's profile and metadata.

        Parameters
        ----------
        path : path
            NAME.tif or NAME.png; the folder must exist.
        pixels : array
            Of the master's size and channels, uint8 or uint16, in its colour space. Not
            modified.
        words : str
            What was done, for the history in the file.
        overwrite : bool
            Replace a file that is there already.

        Raises
        ------
        InputError
            The pixels do not fit.
        OutputError, OutputExistsError
            It cannot be written, is there already, or is one of the frames.
        """
        channels = self.record["inputs"]["frames"][0]["channels"]
        shape = self.shape if channels == 1 else (*self.shape, channels)
        if pixels.shape != shape or pixels.dtype not in (np.uint8, np.uint16):
            msg = (
                f"pixels are {pixels.dtype} {pixels.shape}: expected uint8 or uint16 "
                f"{shape}"
            )
            raise InputError(msg)
        metadata = read_metadata(self.master_path)
        settings = OutputSettings(
            compression=self.output_settings().compression,
            bits=pixels.dtype.itemsize * 8,
            overwrite=overwrite,
        )
        with Results(
            path, settings=settings, only=[""], inputs=self._frames_at_hand()
        ) as results:
            edit = edit_now(words, self.record["settings_digest"])
            results.write_master(as_16_bit(pixels), metadata, edit)
            results.commit()
        return Path(path)

    def output_settings(self) -> OutputSettings:
        """How the result was written, as far as this version knows the settings."""
        return _known(OutputSettings, self.record["settings"].get("output", {}))

    def _frames_at_hand(self) -> list[Path]:
        """Files of the frames that can be found: none of them is ever overwritten."""
        found = []
        for frame in self.record["frames"]:
            with contextlib.suppress(FrameReadError):
                found.append(self._locate(frame["file"]))
        return found

    # Inside ----------------------------------------------------------------------

    def _check_number(self, number: int) -> None:
        if not 0 <= number < self.n_frames:
            msg = f"no frame {number}: the bracket has 0 to {self.n_frames - 1}"
            raise InputError(msg)

    def _part(self, kind: str, box: Box | None) -> Pixels:
        return read_part(
            self.file(kind), self.whole if box is None else within(box, self.shape)
        )

    def _locate(self, name: str) -> Path:
        places = [Path(name), self.folder / name, self.folder / Path(name).name]
        if self._frames_in is not None:
            places.insert(0, self._frames_in / Path(name).name)
        for place in places:
            if place.exists():
                return place
        raise FrameReadError(
            name, "is not there any more: say where the frames are (--frames FOLDER)"
        )

    def _blend_patch(
        self, share: ImageF32, patch: Record, number: int, box: Box
    ) -> None:
        """Let a patch's frame take the place of the others, in place."""
        region = Box(**patch["region"])
        top, left = max(box.row, region.row), max(box.column, region.column)
        bottom = min(box.row + box.height, region.row + region.height)
        right = min(box.column + box.width, region.column + region.width)
        if bottom <= top or right <= left:
            return
        part = Box(
            row=top - region.row,
            column=left - region.column,
            height=bottom - top,
            width=right - left,
        )
        mask = read_part(self.folder / patch["file"], part)
        alpha = mask.astype(np.float32) * np.float32(1 / 255)
        rows = slice(top - box.row, bottom - box.row)
        columns = slice(left - box.column, right - box.column)
        place = share[rows, columns]
        place *= 1 - alpha
        if number == patch["frame"]:
            place += alpha


def read_part(path: Path, box: Box) -> Pixels:
    """Read a region of one of our own files; of TIFF no more than it touches."""
    header = read_header(path, max_pixels=OWN_FILES_MAX_PIXELS)
    part = tiff_window(header, box)
    if part is not None:
        return part
    whole = decode(header, threads=os.cpu_count() or 1)
    rows = slice(box.row, box.row + box.height)
    return cast(
        "Pixels",
        np.ascontiguousarray(whole[rows, box.column : box.column + box.width]),
    )


def as_16_bit(pixels: Pixels) -> npt.NDArray[np.uint16]:
    """Give samples as 16-bit codes, 255 becoming 65535."""
    if pixels.dtype == np.uint16:
        return pixels.astype(np.uint16, copy=False)
    return pixels.astype(np.uint16) * np.uint16(257)


def _known(kind: type[_Settings], values: Mapping[str, Any]) -> _Settings:
    """Make settings from a report, leaving out what this version does not know."""
    names = {f.name for f in fields(kind)}
    return kind(**{k: v for k, v in values.items() if k in names})


def _read_record(path: Path) -> Record:
    try:
        record: Any = json.loads(path.read_bytes())
    except FileNotFoundError as err:
        raise FrameReadError(
            path, "no such report: give the master or its .report.json"
        ) from err
    except (OSError, ValueError) as err:
        raise FrameReadError(path, f"cannot be read ({one_line(err)})") from err
    if not isinstance(record, dict) or record.get("schema") != SCHEMA:
        raise FrameReadError(path, f"is no report of a fusion ({SCHEMA})")
    return record
