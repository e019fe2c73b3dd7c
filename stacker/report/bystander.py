"""What the report wants to know of the frames, noted while they are read for the fusion.

Reading a large frame again only to show it small would cost as much as fusing it.
"""

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stacker import _kernels
from stacker._opencv import area_reduce, warp_linear
from stacker.files import sha256_of_file
from stacker.frame import Box, FrameInfo, FrameRecord, FrameSource, ImageF32, Pixels
from stacker.geometry import at_level

__all__ = [
    "Bystander",
    "Sharpness",
    "aligned_preview",
    "detail_by_tile",
    "sharpness_gain",
]

PREVIEW_SIDE_PX = 896
"""Larger side of the small frames kept; the page may show them smaller still."""
TILE_PX = 64
"""Small against things of one depth, so that most frames show only noise in a tile."""
N_TILES = (16, 24)


class Bystander:
    """A source of frames that keeps notes of what passes by.

    Parameters
    ----------
    source : FrameSource
        Where the frames come from.
    files : sequence of paths, optional
        The frames' files, to take their checksums while they are in the system's cache.

    Attributes
    ----------
    small : dict of int to (h, w[, 3]) uint8 array
        Each frame that was read, reduced.
    detail : dict of int to float32 array
        Mean squared Laplacian of each frame by tile.
    """

    def __init__(
        self, source: FrameSource, files: Sequence[Path] | None = None
    ) -> None:
        self._source = source
        self._files = files
        self._sums: dict[int, Future[str | None]] = {}
        self._pool = ThreadPoolExecutor(1)
        self.small: dict[int, Pixels] = {}
        self.detail: dict[int, ImageF32] = {}

    @property
    def infos(self) -> Sequence[FrameInfo]:
        """One entry per frame."""
        return self._source.infos

    def read(self, index: int) -> Pixels:
        """Decode frame `index`; the first time, note what the report needs."""
        raw = self._source.read(index)
        if index not in self.small:
            self.small[index] = _reduced(raw)
            self.detail[index] = detail_by_tile(raw)
            if self._files is not None:
                self._sums[index] = self._pool.submit(
                    sha256_of_file, self._files[index]
                )
        return raw

    def read_window(self, index: int, box: Box) -> Pixels:
        """Decode a region of frame `index`; nothing is noted."""
        return self._source.read_window(index, box)

    def rest(self) -> None:
        """Give back memory kept for the next frame."""
        self._source.rest()

    def checksums(self) -> tuple[str | None, ...]:
        """SHA-256 of each frame's file, in hex; None where it was not taken."""
        done = {k: f.result() for k, f in self._sums.items()}
        return tuple(done.get(k) for k in range(len(self.infos)))

    def close(self) -> None:
        """Stop taking checksums."""
        self._pool.shutdown(cancel_futures=True)


def _reduced(raw: Pixels) -> Pixels:
    """Reduce a frame quickly: of a large one, two samples each way for every pixel."""
    height, width = raw.shape[:2]
    factor = min(1.0, PREVIEW_SIDE_PX / max(height, width))
    shape = (max(1, round(height * factor)), max(1, round(width * factor)))
    if min(height // shape[0], width // shape[1]) >= 2:
        glance = np.empty(shape + raw.shape[2:], np.uint8)
        n_channels = raw.shape[2] if raw.ndim == 3 else 1
        flat, out = raw.reshape(height, -1), glance.reshape(shape[0], -1)
        _kernels.glance_rows(flat, n_channels, out, 0, shape[0])
        return glance
    reduced: Pixels = area_reduce(raw, shape)
    if reduced.dtype == np.uint16:  # the page shows eight bits, and all frames are kept
        reduced = (reduced // 257).astype(np.uint8)
    return reduced


def detail_by_tile(raw: Pixels) -> ImageF32:
    """Mean squared Laplacian of luma in tiles spread over a picture.

    Parameters
    ----------
    raw : (H, W) or (H, W, 3) uint8 or uint16 array
        Not modified.

    Returns
    -------
    (n,) float32 array
        In squares of the code range, one value for each of at most 16 x 24 tiles; the
        same places for pictures of one size.
    """
    height, width = raw.shape[:2]
    side = (min(TILE_PX, height), min(TILE_PX, width))
    rows = _starts(height, side[0], N_TILES[0])
    columns = _starts(width, side[1], N_TILES[1])
    scale = np.float32(1 / np.iinfo(raw.dtype).max)
    out = np.empty(len(rows) * len(columns), np.float32)
    n_channels = raw.shape[2] if raw.ndim == 3 else 1
    flat = raw.reshape(height, -1)
    _kernels.tile_detail(flat, n_channels, scale, rows, columns, *side, out)
    return out


def _starts(size: int, side: int, most: int) -> npt.NDArray[np.intp]:
    n = min(most, max(1, size // side))
    return np.linspace(0, size - side, n).round().astype(np.intp)


@dataclass(frozen=True, slots=True)
class Sharpness:
    """How much of the detail of the result each frame alone shows.

    Attributes
    ----------
    frames : tuple of float
        Detail of each frame as a fraction of the result's, 0 and more.
    """

    frames: tuple[float, ...]

    @property
    def best(self) -> int:
        """The frame with most detail."""
        return int(np.argmax(self.frames))

    @property
    def gain(self) -> float:
        """Detail of the result over that of the best frame."""
        return 1 / self.frames[self.best]


def sharpness_gain(
    detail: dict[int, ImageF32], fused: ImageF32, n_frames: int
) -> Sharpness | None:
    """Compare the result with its frames.

    Parameters
    ----------
    detail : dict of int to (n,) float32 array
        `detail_by_tile` of the frames.
    fused : (n,) float32 array
        The same of the result.
    n_frames : int
        Frames in the bracket; those without detail count as 0.

    Returns
    -------
    Sharpness or None
        None where no frame shows detail that another does not: nothing to compare.

    Notes
    -----
    Squared Laplacian, summed over the tiles, above the least that any frame has in a
    tile: that frame is out of focus there and shows the noise alone. The frames are
    compared as they are, before registration: tiles at the rim see slightly different
    parts of the subject.
    """
    if len(detail) < 2:
        return None
    floor = np.minimum.reduce(list(detail.values()))
    total = float(np.maximum(fused - floor, 0).sum())
    sums = [
        float((detail[k] - floor).sum()) if k in detail else 0.0
        for k in range(n_frames)
    ]
    if total <= 0 or max(sums) <= 0:
        return None
    return Sharpness(tuple(s / total for s in sums))


def aligned_preview(
    small: Pixels, frame: FrameRecord, curves: ImageF32, shape: tuple[int, int]
) -> npt.NDArray[np.uint16]:
    """Small picture of one frame on the master's grid and in its light.

    Parameters
    ----------
    small : (h, w) or (h, w, C) uint8 or uint16 array
        The reduced frame.
    frame : FrameRecord
        Of that frame.
    curves : (C, 65536) float32 array
        Light-normalised value 0..1 by 16-bit code.
    shape : (height, width)
        Of the full frame.

    Returns
    -------
    (h, w) or (h, w, C) uint16 array
        For the eye: bilinear.
    """
    codes = small.astype(np.uint16)
    if small.dtype == np.uint8:
        codes *= 257
    planes = codes[..., None] if codes.ndim == 2 else codes
    size = small.shape[:2]
    to_small = np.linalg.inv(at_level(frame.transform, shape, size)).astype(np.float64)
    out = np.empty(planes.shape, np.uint16)
    for c in range(planes.shape[2]):
        light = curves[c][planes[..., c]]
        moved = warp_linear(light, to_small, size)
        out[..., c] = np.clip(moved * 65535 + 0.5, 0, 65535)
    return out[..., 0] if small.ndim == 2 else out
