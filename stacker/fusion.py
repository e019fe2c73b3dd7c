"""Fusion: the picture from the frames and the focus maps, one frame at a time.

Each pixel is interpolated *through focus* at its fractional frame number, as one would
interpolate through space: cubic convolution over the frames around it. Where the depth
is uncertain nothing is sharper in one frame than in another, and a broad mean round the
smooth depth lowers the noise instead. Every frame is resampled once per pixel, at the
exact phase, and only where it has weight.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stacker import _kernels, _opencv
from stacker.depth import FocusMaps
from stacker.frame import ImageF32, Matrix3x3, Pixels

__all__ = ["FusionAccumulator", "focal_weights"]

# Cubic convolution (Keys 1981) with a sharper parameter than the -0.5 of third-order
# accuracy: through focus the response is peaked, not smooth (measured on the quality
# bracket: -0.75 gains 0.1 dB over -0.5 in all regions; -1 gains as much again and costs
# 0.1 dB in flat areas).
CUBIC_PARAMETER = -0.75
# Standard deviation, in frames, of the mean taken where depth is uncertain, and its end.
BROAD_SIGMA = 1.25
BROAD_REACH = 3


def focal_weights() -> tuple[ImageF32, ImageF32]:
    """Weight by distance in frames, in steps of ``1 / WEIGHT_STEPS`` from 0.

    Returns
    -------
    sharp : (2 * WEIGHT_STEPS + 1,) float32 array
        Cubic convolution over the frames.
    broad : (BROAD_REACH * WEIGHT_STEPS + 1,) float32 array
        Gaussian, reaching 0 at its end.

    References
    ----------
    Keys, R. G. (1981), Cubic convolution interpolation for digital image processing,
    IEEE Trans. ASSP 29, 1153-1160, eq. 15 (with free parameter a).
    """
    steps = _kernels.WEIGHT_STEPS
    x = np.arange(2 * steps + 1) / steps
    a = CUBIC_PARAMETER
    inner = (a + 2) * x**3 - (a + 3) * x**2 + 1
    outer = a * (x**3 - 5 * x**2 + 8 * x - 4)
    sharp = np.where(x < 1, inner, outer)
    d = np.arange(BROAD_REACH * steps + 1) / steps
    bell = np.exp(-0.5 * (d / BROAD_SIGMA) ** 2)
    broad = (bell - bell[-1]) / (BROAD_SIGMA * np.sqrt(2 * np.pi))
    return sharp.astype(np.float32), broad.astype(np.float32)


@dataclass(slots=True)
class FinishedPicture:
    """What `FusionAccumulator.finish` returns: the encoded picture and its maps."""

    picture: npt.NDArray[np.uint16]
    depth: npt.NDArray[np.uint16]
    confidence: npt.NDArray[np.uint8]
    coverage: Pixels


class FusionAccumulator:
    """Takes the frames one by one, in any order, and ends with the picture.

    Parameters
    ----------
    shape : (H, W, C)
        Size of the master.
    maps : FocusMaps
        On the master's grid.
    numbers : sequence of int
        The bracket's number of each used frame, rising; maps count used frames.
    n_bracket : int
        Frames in the bracket, used or not: the scale of the depth map.
    n_threads : int

    Notes
    -----
    Memory: ``H * W * (6 C + 4)`` bytes, whatever the number of frames.
    """

    def __init__(
        self,
        shape: tuple[int, int, int],
        maps: FocusMaps,
        numbers: list[int],
        n_bracket: int,
        *,
        n_threads: int = 1,
    ) -> None:
        self._shape = shape
        self._maps = maps
        self._numbers = numbers
        self._n_bracket = n_bracket
        self._n_threads = n_threads
        self._sharp, self._broad = focal_weights()
        self._lanczos = _kernels.lanczos_table()
        self._total = np.zeros(shape, np.float32)
        self._weight = np.zeros(shape[:2], np.float32)
        self._low = np.full(shape, 255, np.uint8)
        self._high = np.zeros(shape, np.uint8)
        self._reach = _block_reach(maps, shape[:2])

    def counts(self, ordinal: int) -> bool:
        """Whether used frame `ordinal` has weight anywhere."""
        return bool(self._blocks(ordinal).any())

    def _blocks(self, ordinal: int) -> npt.NDArray[np.uint8]:
        low, high = self._reach
        return ((low < ordinal) & (ordinal < high)).astype(np.uint8)

    def add(
        self,
        raw: Pixels,
        to_master: Matrix3x3,
        curves: ImageF32,
        ordinal: int,
        *,
        is_reference: bool,
    ) -> None:
        """Add one frame.

        Parameters
        ----------
        raw : (H, W, C) uint8 or uint16 array
            As decoded. Not modified.
        to_master : (3, 3) array
            Frame pixel to master pixel.
        curves : (C, 65536) float32 array
            Light-normalised value 0..1 by 16-bit code (`light.normalising_table`).
        ordinal : int
            Number among the used frames.
        is_reference : bool
            The reference keeps a trace of weight everywhere, so that every pixel is
            defined.
        """
        blocks = self._blocks(ordinal)
        if is_reference:
            blocks[:] = 1
        to_raw = np.linalg.inv(to_master)
        maps = self._maps

        def work(a: int, b: int) -> None:
            _kernels.accumulate_rows(
                raw,
                to_raw,
                curves,
                self._lanczos,
                ordinal,
                is_reference,
                maps.index,
                maps.fill,
                maps.certainty,
                self._sharp,
                self._broad,
                blocks,
                self._total,
                self._weight,
                self._low,
                self._high,
                a,
                b,
            )

        _kernels.run_strips(len(blocks), self._n_threads, work, strips=16)

    def finish(self, depth_index: ImageF32) -> FinishedPicture:
        """Build picture and maps; the accumulator cannot be used afterwards.

        Parameters
        ----------
        depth_index : (h, w) float32 array
            Half-size index for the depth map, cleaned of outliers.
        """
        height, width, n_channels = self._shape
        picture = np.empty(self._shape, np.uint16)
        _opencv.spread_range(self._low, self._high)
        _kernels.run_strips(
            height,
            self._n_threads,
            lambda a, b: _kernels.finish_picture_rows(
                self._total, self._weight, self._low, self._high, picture, a, b
            ),
        )
        del self._total, self._weight, self._low, self._high
        label = np.uint8 if self._n_bracket < 256 else np.uint16
        depth = np.empty((height, width), np.uint16)
        confidence = np.empty((height, width), np.uint8)
        coverage = np.zeros((height, width), label)
        numbers = np.asarray(self._numbers, np.float32)
        scale = np.float32(65535 / max(self._n_bracket - 1, 1))
        maps = self._maps
        _kernels.run_strips(
            height,
            self._n_threads,
            lambda a, b: _kernels.finish_maps_rows(
                depth_index,
                maps.fill,
                maps.certainty,
                self._sharp,
                self._broad,
                numbers,
                scale,
                depth,
                confidence,
                coverage,
                a,
                b,
            ),
        )
        if n_channels == 1:
            picture = picture[..., 0]
        return FinishedPicture(picture, depth, confidence, coverage)


def _block_reach(
    maps: FocusMaps, shape: tuple[int, int]
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Frames (beyond which, below which) that have weight in each 64 x 64 block."""
    # One half-size pixel of margin: bilinear reads reach over the block's edge.
    half = 1 << (_kernels.BLOCK_SHIFT - 1)
    rows = ((shape[0] - 1) >> _kernels.BLOCK_SHIFT) + 1
    cols = ((shape[1] - 1) >> _kernels.BLOCK_SHIFT) + 1
    low = np.empty((rows, cols), np.float32)
    high = np.empty((rows, cols), np.float32)
    for i in range(rows):
        for j in range(cols):
            part = (
                slice(max(i * half - 1, 0), (i + 1) * half + 1),
                slice(max(j * half - 1, 0), (j + 1) * half + 1),
            )
            index, fill = maps.index[part], maps.fill[part]
            low[i, j] = index.min() - 2
            high[i, j] = index.max() + 2
            if maps.certainty[part].min() < 1:
                low[i, j] = min(low[i, j], fill.min() - BROAD_REACH)
                high[i, j] = max(high[i, j], fill.max() + BROAD_REACH)
    return low, high
