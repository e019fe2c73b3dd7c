"""Which frame is sharpest where, to a fraction of a frame, and how sure that is.

`PeakAccumulator` takes one energy map after the other and keeps the running peak with
its two neighbours; `finish` turns that into `FocusMaps`. All maps have half the frames'
size. Nothing here knows pixels of the picture.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stacker import _kernels, _opencv
from stacker.errors import InputError
from stacker.frame import ImageF32
from stacker.sharpness import pooling_taps

__all__ = [
    "FocusMaps",
    "PeakAccumulator",
    "carried_over",
    "depth_for_display",
    "fill_smoothly",
    "focus_maps",
]

# A peak this many noise energies above the mean over all frames is no peak (0) or surely
# one (1): the largest of N pooled noise energies (sd 0.25) lies about 0.6 above.
NO_PEAK, SURE_PEAK = 1.0, 3.0
CERTAINTY_SIGMA = 1.0
# So near to 0 or 1 certainty is taken for that, and stretched between: a trace of weight
# costs as much work as all of it.
NEARLY = 0.05
# A peak that is less than half sure and so far from the depth around is taken for noise:
# it costs the work of frames that nothing else there needs (0.01 dB on ray-traced
# brackets, either way).
HALF_SURE, FAR_FRAMES = 0.5, 2.0
# Levels of the push-pull fill are taken over once this much certainty lies beneath.
ENOUGH_CERTAINTY = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusMaps:
    """Where focus peaks, at half the master's size. Frame numbers count used frames.

    Attributes
    ----------
    index : (h, w) float32 array, range [0, n - 1]
        Fractional number of the sharpest frame, as measured place by place.
    fill : (h, w) float32 array, same range
        The same, smooth, carried over from certain places to uncertain ones.
    certainty : (h, w) float32 array, range [0, 1]
        0 = no texture in any frame, 1 = a peak well above the noise.
    """

    index: ImageF32
    fill: ImageF32
    certainty: ImageF32


def carried_over(maps: FocusMaps, places: npt.NDArray[np.bool_]) -> FocusMaps:
    """Carry maps over into some places from the places around.

    Parameters
    ----------
    maps : FocusMaps
        Not modified.
    places : (h, w) bool array
        Where what was measured is not of the scene.
    """
    rest = (~places).astype(np.float32)
    fill = fill_smoothly(maps.index, maps.certainty * rest)
    around = fill_smoothly(maps.certainty, rest)
    return FocusMaps(
        index=np.where(places, fill, maps.index),
        fill=np.where(places, fill, maps.fill),
        certainty=np.where(places, np.clip(around, 0, 1), maps.certainty),
    )


class PeakAccumulator:
    """Running peak of the energy over frames, on one half-size grid.

    A frame is judged once its successor is known, because what counts is how brightness
    changes through it.

    Parameters
    ----------
    shape : (height, width)
        Size of the energy maps.
    n_threads : int
        Threads to work with.

    Notes
    -----
    Memory: eleven float32 maps, whatever the number of frames.
    """

    FRAMES_KEPT = 3
    """Maps of so many frames are looked at again."""

    def __init__(self, shape: tuple[int, int], *, n_threads: int = 1) -> None:
        self._shape = shape
        self._n_threads = n_threads
        self._best, self._at_best, self._before, self._after = (
            np.full(shape, -1, np.float32) for _ in range(4)
        )
        self._total = np.zeros(shape, np.float32)
        self._count = np.zeros(shape, np.uint16)
        self._which = np.full(shape, -9, np.int16)
        self._taps = pooling_taps()
        # Energy and luma of the last three frames, newest last.
        self._recent: deque[tuple[ImageF32, ImageF32]] = deque(maxlen=self.FRAMES_KEPT)
        self.n_frames = 0

    def add(self, energy: ImageF32, luma: ImageF32) -> None:
        """Take the next frame.

        Parameters
        ----------
        energy, luma : (h, w) float32 arrays
            As `sharpness.laplacian_energy` returns them, on the grid and normalised in
            light; negative where the frame has no data. Kept, not copied, until two
            more have come.
        """
        if energy.shape != self._shape or luma.shape != self._shape:
            msg = f"maps are {energy.shape} and {luma.shape}: expected {self._shape}"
            raise InputError(msg)
        self._recent.append((energy, luma))
        self.n_frames += 1
        if self.n_frames >= 2:
            self._judge(self.n_frames - 2)

    def _judge(self, number: int) -> None:
        """Take frame `number`, the last but one or the last, into the running peak."""
        recent = list(self._recent)
        is_last = number == self.n_frames - 1
        own = len(recent) - (1 if is_last else 2)
        older, newer = max(own - 1, 0), min(own + 1, len(recent) - 1)
        # The peak at the last frame has one neighbour: the free slot takes the last frame
        # but two.
        beside = own - 2 if is_last else own + 1

        def judge(a: int, b: int) -> None:
            _kernels.judge_rows(
                recent[own][0],
                recent[max(own - 1, 0)][0],
                recent[max(beside, 0)][0],
                beside >= 0,
                recent[older][1],
                recent[newer][1],
                newer - older < 2,
                self._taps,
                number,
                self._best,
                self._at_best,
                self._before,
                self._after,
                self._total,
                self._count,
                self._which,
                a,
                b,
            )

        _kernels.run_strips(self._shape[0], self._n_threads, judge)

    def finish(self, floor: ImageF32) -> tuple[ImageF32, ImageF32]:
        """Peak place and its height above the noise.

        Parameters
        ----------
        floor : (h, w) float32 array
            Energy that noise alone gives.

        Returns
        -------
        index : (h, w) float32 array, range [0, n - 1]
        height : (h, w) float32 array
            Peak merit less the mean over the frames, in units of the noise energy; 0
            where nothing was measured.

        Notes
        -----
        The vertex is taken of the parabola through the inverse square root of the
        energy. A parabola through log energy (Nayar & Nakagawa 1994, eq. 14) pulls
        towards whole frames, by up to 0.07 frames on ray-traced brackets; the inverse
        root leaves under 0.015.

        References
        ----------
        Nayar, S. K. & Nakagawa, Y. (1994), Shape from focus, IEEE Trans. PAMI 16,
        824-831.
        """
        self._judge(self.n_frames - 1)
        self._recent.clear()
        index = np.empty(self._shape, np.float32)
        height = np.empty(self._shape, np.float32)

        def work(a: int, b: int) -> None:
            _kernels.finish_peak_rows(
                self._best,
                self._at_best,
                self._before,
                self._after,
                self._total,
                self._count,
                self._which,
                self.n_frames,
                floor,
                index,
                height,
                a,
                b,
            )

        _kernels.run_strips(self._shape[0], self._n_threads, work)
        return index, height


def fill_smoothly(values: ImageF32, certainty: ImageF32) -> ImageF32:
    """Carry values from certain places smoothly into uncertain ones.

    Parameters
    ----------
    values : (h, w) float32 array
        What to carry. Not modified.
    certainty : (h, w) float32 array, range [0, 1]
        How much each value counts.

    Returns
    -------
    (h, w) float32 array
        Finite everywhere; the mean of `values` where there is no certainty at all.

    References
    ----------
    Gortler, Grzeszczuk, Szeliski & Cohen (1996), The Lumigraph, SIGGRAPH 96, section
    4.3 (push-pull); the weights are those of normalised convolution, Knutsson &
    Westin (1993), CVPR, 515-523.
    """
    weights = [certainty]
    products = [values * certainty]
    while max(weights[-1].shape) > 1:
        weights.append(_opencv.pyramid_down(weights[-1]))
        products.append(_opencv.pyramid_down(products[-1]))
    coarse = np.full_like(weights[-1], float(values.mean()))
    for weight, product in zip(reversed(weights), reversed(products), strict=True):
        if coarse.shape != weight.shape:
            coarse = _opencv.pyramid_up(coarse, weight.shape)
        mean = product / np.maximum(weight, 1e-9)
        trust = np.minimum(weight / ENOUGH_CERTAINTY, 1)
        coarse = coarse + (mean - coarse) * trust
    return coarse


def focus_maps(index: ImageF32, height: ImageF32, n_frames: int) -> FocusMaps:
    """Turn peaks into the maps that fusion and depth are made from.

    Parameters
    ----------
    index, height : (h, w) float32 arrays
        As `PeakAccumulator.finish` returns them, on the master's grid.
    n_frames : int
        Frames that took part.
    """
    u = np.clip((height - NO_PEAK) / (SURE_PEAK - NO_PEAK), 0, 1)
    certainty = _opencv.gaussian_blur(u * u * (3 - 2 * u), CERTAINTY_SIGMA)
    certainty = np.clip((certainty - NEARLY) / (1 - 2 * NEARLY), 0, 1)
    steady = _opencv.median_5x5(index)
    fill = np.clip(fill_smoothly(steady, certainty), 0, max(n_frames - 1, 0))
    apart = np.abs(index - fill, out=steady)
    certainty[(certainty < HALF_SURE) & (apart > FAR_FRAMES)] = 0
    return FocusMaps(index=index, fill=fill, certainty=certainty)


def depth_for_display(maps: FocusMaps) -> npt.NDArray[np.float32]:
    """Half-size map of the index, outliers removed, for the depth file."""
    return _opencv.median_5x5(maps.index)
