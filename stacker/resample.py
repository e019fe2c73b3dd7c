"""One frame of a fusion on the master's grid, in the master's light.

The fusion itself never makes whole aligned frames; these are for eyes and hands: crops
for the report, layers and patches for the retoucher. Resampling and light are those of
the fusion (`_kernels.accumulate_rows`), so that such a frame is what went into it.
"""

from collections.abc import Sequence
from typing import Protocol

import numpy as np

from stacker import _kernels
from stacker.errors import InputError
from stacker.frame import (
    Box,
    FrameInfo,
    FrameRecord,
    ImageF32,
    Matrix3x3,
    Pixels,
    TransferTable,
)
from stacker.light import normalising_table, straight_parts

__all__ = [
    "AlignedFrames",
    "WindowSource",
    "aligned_window",
    "window_needed",
    "within",
]

# Half the taps of the kernel reach beyond a place, and one pixel for rounding.
_MARGIN_PX = _kernels.LANCZOS_TAPS // 2 + 1


class WindowSource(Protocol):
    """Frames of which regions can be read."""

    @property
    def infos(self) -> Sequence[FrameInfo]:
        """One entry per frame; all of one size, bit depth and channel count."""
        ...

    def read_window(self, index: int, box: Box) -> Pixels:
        """Decode the pixels of frame `index` in `box`, which lies within the frame."""
        ...


def window_needed(box: Box, to_raw: Matrix3x3, shape: tuple[int, int]) -> Box:
    """Part of a frame that a region of the master is made from.

    Parameters
    ----------
    box : Box
        Region of the master.
    to_raw : (3, 3) array
        Master pixel to frame pixel.
    shape : (height, width)
        Size of the frame.

    Returns
    -------
    Box
        Within the frame, at least one pixel; taps of the kernel included.
    """
    right, bottom = box.column + box.width - 1, box.row + box.height - 1
    corners = np.array(
        [
            [box.column, right, box.column, right],
            [box.row, box.row, bottom, bottom],
            [1, 1, 1, 1],
        ],
        dtype=float,
    )
    places = to_raw @ corners
    x, y = places[:2] / places[2]
    height, width = shape

    def span(values: ImageF32, size: int) -> tuple[int, int]:
        first = int(np.floor(values.min())) - _MARGIN_PX
        last = int(np.ceil(values.max())) + _MARGIN_PX
        first = min(max(first, 0), size - 1)
        return first, min(max(last, first), size - 1) - first + 1

    column, n_columns = span(x, width)
    row, n_rows = span(y, height)
    return Box(row=row, column=column, height=n_rows, width=n_columns)


def aligned_window(
    raw: Pixels,
    to_raw: Matrix3x3,
    curves: ImageF32,
    shape: tuple[int, int],
    *,
    n_threads: int = 1,
) -> Pixels:
    """Resample a frame, or a window of one.

    Parameters
    ----------
    raw : (h, w) or (h, w, C) uint8 or uint16 array
        Not modified.
    to_raw : (3, 3) array
        Pixel of the result to pixel of `raw`.
    curves : (C, 65536) float32 array
        Light-normalised value 0..1 by 16-bit code (`light.normalising_table`).
    shape : (height, width)
        Of the result.
    n_threads : int
        Threads for the resampling.

    Returns
    -------
    (height, width) or (height, width, C) uint16 array
        Places beyond `raw` repeat its edge.
    """
    channels = 1 if raw.ndim == 2 else raw.shape[2]
    picture = np.empty((shape[0], shape[1] * channels), np.uint16)
    flat = raw.reshape(raw.shape[0], -1)
    lanczos = _kernels.lanczos_table()
    straight = straight_parts(curves)
    _kernels.run_strips(
        -(-shape[0] // _kernels.BLOCK_ROWS),
        n_threads,
        lambda a, b: _kernels.align_rows(
            flat, channels, to_raw, curves, straight, lanczos, picture, a, b
        ),
    )
    return picture.reshape(shape if raw.ndim == 2 else (*shape, channels))


class AlignedFrames:
    """The frames of a fusion, each on the master's grid and in its light.

    Parameters
    ----------
    source : WindowSource
        The frames as they were fused.
    frames : sequence of FrameRecord
        What the fusion found out about each.
    table : (C, 65536) float32 array
        Linear light by code, as the fusion had it.
    n_threads : int
        Threads for the resampling.

    Attributes
    ----------
    frames : sequence of FrameRecord
        As given.
    shape : (int, int)
        Height and width of the master.
    """

    def __init__(
        self,
        source: WindowSource,
        frames: Sequence[FrameRecord],
        table: TransferTable,
        *,
        n_threads: int = 1,
    ) -> None:
        if len(frames) != len(source.infos):
            msg = f"{len(source.infos)} files but {len(frames)} frames of a fusion"
            raise InputError(msg)
        self._source = source
        self.frames = frames
        self._table = table
        self._n_threads = n_threads
        info = source.infos[0]
        self.shape = (info.height, info.width)

    def curves(self, number: int) -> ImageF32:
        """Light-normalised value by 16-bit code of frame `number`, (C, 65536)."""
        gain = np.exp2(-np.asarray(self.frames[number].gain_ev))
        return normalising_table(self._table, gain)

    def window(self, number: int, box: Box | None = None) -> Pixels:
        """Pixels of frame `number` in a region of the master.

        Parameters
        ----------
        number : int
            0-based.
        box : Box, optional
            Region of the master; all of it where left out.

        Returns
        -------
        (h, w) or (h, w, C) uint16 array
            Places that the frame does not show repeat its edge.

        Raises
        ------
        InputError
            There is no such frame, it was left out of the fusion, or the region does
            not lie within the master.
        """
        box = self._checked(number, box)
        to_raw = np.linalg.inv(self.frames[number].transform).astype(np.float64)
        needed = window_needed(box, to_raw, self.shape)
        raw = self._source.read_window(number, needed)
        into, out_of = np.eye(3), np.eye(3)
        into[:2, 2] = box.column, box.row
        out_of[:2, 2] = -needed.column, -needed.row
        return aligned_window(
            raw,
            out_of @ to_raw @ into,
            self.curves(number),
            (box.height, box.width),
            n_threads=self._n_threads,
        )

    def _checked(self, number: int, box: Box | None) -> Box:
        height, width = self.shape
        if not 0 <= number < len(self.frames):
            msg = f"no frame {number}: the bracket has 0 to {len(self.frames) - 1}"
            raise InputError(msg)
        if not self.frames[number].used:
            msg = f"frame {number} was left out of the fusion: its place is not known"
            raise InputError(msg)
        if box is None:
            return Box(row=0, column=0, height=height, width=width)
        return within(box, self.shape)


def within(box: Box, shape: tuple[int, int]) -> Box:
    """Return `box` if it lies within a picture of `shape`; raise `InputError` if not."""
    ends = (box.row + box.height, box.column + box.width)
    if min(box.row, box.column) < 0 or min(box.height, box.width) < 1:
        msg = f"{box} is no region of a picture"
        raise InputError(msg)
    if ends[0] > shape[0] or ends[1] > shape[1]:
        msg = (
            f"region {box.column},{box.row},{box.width},{box.height} leaves the "
            f"picture of {shape[1]} x {shape[0]} pixels"
        )
        raise InputError(msg)
    return box
