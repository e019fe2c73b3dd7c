"""Fusion: the picture from the frames and the focus maps, one frame at a time.

Each pixel is interpolated *through focus* at its fractional frame number, as one would
interpolate through space: cubic convolution over the frames around it. Where the depth
is uncertain nothing is sharper in one frame than in another, and a broad mean round the
smooth depth lowers the noise instead. Every frame is resampled once per pixel, at the
exact phase, and only where it has weight.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from stacker import _kernels, _opencv
from stacker.buffers import FrameMemory
from stacker.depth import FocusMaps
from stacker.edges import follow_picture, hidden_share, picture_guide
from stacker.frame import Box, ImageF32, Matrix3x3, Pixels
from stacker.geometry import iter_strips
from stacker.light import straight_parts
from stacker.resample import window_needed

__all__ = ["FusionAccumulator", "Unused", "focal_weights", "seen_by_all"]

# Cubic convolution (Keys 1981) with a sharper parameter than the -0.5 of third-order
# accuracy: through focus the response is peaked, not smooth (figures in DEVELOPERS.md).
CUBIC_PARAMETER = -1.25
SHARP_REACH = 2
# Standard deviation, in frames, of the mean taken where depth is uncertain, and its end.
BROAD_SIGMA = 1.25
BROAD_REACH = 3


def focal_weights() -> tuple[ImageF32, ImageF32]:
    """Weight by distance in frames, in steps of ``1 / WEIGHT_STEPS`` from 0.

    Returns
    -------
    sharp : (SHARP_REACH * WEIGHT_STEPS + 1,) float32 array
        Cubic convolution over the frames.
    broad : (BROAD_REACH * WEIGHT_STEPS + 1,) float32 array
        Gaussian, reaching 0 at its end.

    References
    ----------
    Keys, R. G. (1981), Cubic convolution interpolation for digital image processing,
    IEEE Trans. ASSP 29, 1153-1160, eq. 15 (with free parameter a).
    """
    steps = _kernels.WEIGHT_STEPS
    x = np.arange(SHARP_REACH * steps + 1) / steps
    a = CUBIC_PARAMETER
    inner = (a + 2) * x**3 - (a + 3) * x**2 + 1
    outer = a * (x**3 - 5 * x**2 + 8 * x - 4)
    sharp = np.where(x < 1, inner, outer)
    d = np.arange(BROAD_REACH * steps + 1) / steps
    bell = np.exp(-0.5 * (d / BROAD_SIGMA) ** 2)
    broad = (bell - bell[-1]) / (BROAD_SIGMA * np.sqrt(2 * np.pi))
    return sharp.astype(np.float32), broad.astype(np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unused:
    """What of the frames must not get into the picture.

    Attributes
    ----------
    specks : (k, 3) float64 array
        Dust on the sensor: x, y and radius in pixels of every frame.
    boxes : (k, 5) int64 array
        What moved: number among the used frames; first and end row, first and end
        column on the master's half-size grid.
    """

    specks: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 3)))
    boxes: npt.NDArray[np.int64] = field(
        default_factory=lambda: np.zeros((0, 5), np.int64)
    )


@dataclass(slots=True)
class FinishedPicture:
    """What `FusionAccumulator.finish` returns: the encoded picture and its maps."""

    picture: npt.NDArray[np.uint16]
    depth: npt.NDArray[np.uint16]
    confidence: npt.NDArray[np.uint8]
    coverage: Pixels


class FusionAccumulator:
    """Makes the picture in bands of rows, from the frames one by one in any order.

    Call `begin`, `add` for each frame, and `end` for every band; then `finish`.

    Parameters
    ----------
    shape : (H, W, C)
        Size of the master.
    maps : FocusMaps
        On the master's grid.
    to_master : sequence of (3, 3) arrays
        Frame pixel to master pixel, of each used frame.
    reference : int
        Which of them is the master's own: it covers every pixel.
    unused : Unused, optional
        What must not get into the picture where another frame is clean.
    n_threads : int

    Notes
    -----
    Memory: ``6 C`` bytes for each pixel of the band, and ``2 C + 1.5`` for each of the
    picture, whatever the number of frames. The weights of all frames are brought to a
    sum of 1 beforehand, at half size, so that sums of weights need not be kept.
    """

    def __init__(
        self,
        shape: tuple[int, int, int],
        maps: FocusMaps,
        to_master: Sequence[Matrix3x3],
        reference: int,
        *,
        unused: Unused | None = None,
        n_threads: int = 1,
    ) -> None:
        self._shape = shape
        self._maps = maps
        self._unused = unused or Unused()
        self._n_threads = n_threads
        self._to_frames = np.stack([np.linalg.inv(t) for t in to_master])
        self._sharp, self._broad = focal_weights()
        self._lanczos = _kernels.lanczos_table()
        height, width, n_channels = shape
        self._memory = FrameMemory()
        self._picture = np.empty((height, width * n_channels), np.uint16)
        inner = seen_by_all(to_master, shape[:2])
        self._inverse = np.empty(maps.index.shape, np.float32)
        self._owner = np.empty(maps.index.shape, np.int16)
        _kernels.run_strips(
            maps.index.shape[0],
            n_threads,
            lambda a, b: _kernels.weight_sum_rows(
                maps.index,
                maps.fill,
                maps.certainty,
                self._sharp,
                self._broad,
                self._to_frames,
                height,
                width,
                self._unused.specks,
                self._unused.boxes,
                inner,
                reference,
                self._inverse,
                self._owner,
                a,
                b,
            ),
        )
        self._reach = self._block_reach()

    def _block_reach(
        self,
    ) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
        """Frames (beyond which, below which) that have weight in each block."""
        rows = -(-self._shape[0] // _kernels.BLOCK_ROWS)
        cols = -(-self._shape[1] // _kernels.BLOCK_COLUMNS)
        low = np.empty((rows, cols), np.float32)
        high = np.empty((rows, cols), np.float32)
        maps = self._maps
        _kernels.run_strips(
            rows,
            self._n_threads,
            lambda a, b: _kernels.block_reach_rows(
                maps.index,
                maps.fill,
                maps.certainty,
                self._inverse,
                self._owner,
                SHARP_REACH,
                BROAD_REACH,
                low,
                high,
                a,
                b,
            ),
        )
        return low, high

    def bands(self, n_bands: int) -> list[tuple[int, int]]:
        """Split the picture into about `n_bands` bands of whole blocks.

        Returns
        -------
        list of (first, end)
            Rows of the picture.
        """
        height = self._shape[0]
        side = _kernels.BLOCK_ROWS
        parts = iter_strips(self._reach[0].shape[0], n_bands)
        return [(a * side, min(b * side, height)) for a, b in parts]

    def begin(self, first: int, end: int) -> None:
        """Start the band of rows `first` to `end`, one of `bands`."""
        side = _kernels.BLOCK_ROWS
        # One block more on either side: the range of a pixel's sources is that of its
        # neighbours, and must not depend on where bands meet.
        self._first = max(first - side, 0)
        self._end = min(end + side, self._shape[0])
        self._inner = first, end
        shape = (self._end - self._first, self._shape[1] * self._shape[2])
        self._total = self._memory.empty(shape, np.float32)
        self._low = self._memory.empty(shape, np.uint8)
        self._high = self._memory.empty(shape, np.uint8)
        for image, empty in ((self._total, 0), (self._low, 255), (self._high, 0)):
            image[:] = empty

    def window(self, ordinal: int) -> Box | None:
        """Rows of used frame `ordinal` that the band needs; None where it needs none."""
        if not self._blocks(ordinal).any():
            return None
        height, width = self._shape[:2]
        band = Box(
            row=self._first, column=0, height=self._end - self._first, width=width
        )
        needed = window_needed(band, self._to_frames[ordinal], (height, width))
        # Whole rows: they lie in one piece in memory and in files.
        return replace(needed, column=0, width=width)

    def _blocks(self, ordinal: int) -> npt.NDArray[np.uint8]:
        low, high = self._reach
        blocks = ((low < ordinal) & (ordinal < high)).astype(np.uint8)
        side = _kernels.BLOCK_ROWS
        return blocks[self._first // side : -(-self._end // side)]

    def add(self, raw: Pixels, first_row: int, curves: ImageF32, ordinal: int) -> None:
        """Add what one frame shows of the band.

        Parameters
        ----------
        raw : (h, W, C) uint8 or uint16 array
            Rows of the frame, at least those of `window`. Not modified.
        first_row : int
            Of the frame, the first in `raw`.
        curves : (C, 65536) float32 array
            Light-normalised value 0..1 by 16-bit code (`light.normalising_table`).
        ordinal : int
            Number among the used frames.
        """
        blocks = self._blocks(ordinal)
        flat = raw.reshape(raw.shape[0], -1)
        straight = straight_parts(curves)
        maps = self._maps

        def work(a: int, b: int) -> None:
            _kernels.accumulate_rows(
                flat,
                first_row,
                self._shape[0],
                self._shape[2],
                self._to_frames,
                curves,
                straight,
                self._lanczos,
                ordinal,
                maps.index,
                maps.fill,
                maps.certainty,
                self._inverse,
                self._owner,
                self._sharp,
                self._broad,
                self._unused.specks,
                self._unused.boxes,
                blocks,
                self._first,
                self._total,
                self._low,
                self._high,
                a,
                b,
            )

        _kernels.run_strips(len(blocks), self._n_threads, work, strips=16)

    def end(self) -> None:
        """Write the band into the picture."""
        first, end = self._inner
        here = slice(first - self._first, end - self._first)
        _opencv.spread_range(self._low, self._high, self._shape[2])
        total, low, high = (x[here] for x in (self._total, self._low, self._high))
        picture = self._picture[first:end]
        _kernels.run_strips(
            end - first,
            self._n_threads,
            lambda a, b: _kernels.finish_picture_rows(total, low, high, picture, a, b),
        )
        del self._total, self._low, self._high

    def finish(
        self,
        depth_index: ImageF32,
        numbers: Sequence[int],
        n_bracket: int,
        blur_px: float = 0.0,
    ) -> FinishedPicture:
        """Build picture and maps; the accumulator cannot be used afterwards.

        Parameters
        ----------
        depth_index : (h, w) float32 array
            Half-size index for the depth map, cleaned of outliers.
        numbers : sequence of int
            The bracket's number of each used frame, rising; maps count used frames.
        n_bracket : int
            Frames in the bracket, used or not: the scale of the depth map.
        blur_px : float
            Growth of a blur disc's radius per frame away from focus, as
            `edges.hidden_share` takes it; 0 where it is not known.
        """
        height, width, n_channels = self._shape
        del self._inverse
        self._memory.rest()
        maps = self._maps
        certainty = maps.certainty
        place = certainty * depth_index + (1 - certainty) * maps.fill
        guide = picture_guide(self._picture, n_channels, self._n_threads)
        place = follow_picture(place, certainty, guide, n_threads=self._n_threads)
        del guide
        number = place
        if list(numbers) != list(range(len(numbers))):
            places = np.interp(place, np.arange(len(numbers)), numbers)
            number = places.astype(np.float32)
        if blur_px:
            clean = hidden_share(number, blur_px, n_threads=self._n_threads)
            np.subtract(1, clean, out=clean)
            clean *= certainty
            certainty = clean
        label = np.uint8 if n_bracket < 256 else np.uint16
        owner = np.asarray(numbers, label)[self._owner]
        scale = np.float32(65535 / max(n_bracket - 1, 1))
        depth = np.empty((height, width), np.uint16)
        confidence = np.empty((height, width), np.uint8)
        coverage = np.empty((height, width), label)
        _kernels.run_strips(
            height,
            self._n_threads,
            lambda a, b: _kernels.finish_maps_rows(
                number, scale, certainty, owner, depth, confidence, coverage, a, b
            ),
        )
        shape = self._shape[:2] if n_channels == 1 else self._shape
        return FinishedPicture(
            self._picture.reshape(shape), depth, confidence, coverage
        )


def seen_by_all(
    to_master: Sequence[Matrix3x3], shape: tuple[int, int]
) -> npt.NDArray[np.int64]:
    """Half-size rows and columns, from and to, within which every frame reaches."""
    height, width = shape
    corners = np.array(
        [[0, width - 1, 0, width - 1], [0, 0, height - 1, height - 1], [1, 1, 1, 1]]
    )
    top, bottom, left, right = 0.0, height - 1.0, 0.0, width - 1.0
    for matrix in to_master:
        x, y, w = matrix @ corners
        x, y = x / w, y / w
        top, bottom = max(top, y[0], y[1]), min(bottom, y[2], y[3])
        left, right = max(left, x[0], x[2]), min(right, x[1], x[3])
    # One place of margin: half-size places lie between pixels.
    inner = (top / 2 + 1, bottom / 2 - 1, left / 2 + 1, right / 2 - 1)
    return np.array([np.clip(np.ceil(v), 0, max(shape)) for v in inner], np.int64)
