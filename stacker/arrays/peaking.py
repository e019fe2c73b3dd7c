"""The running peak over the frames, and the focus maps it ends with."""

from collections import deque
from typing import TYPE_CHECKING, Any

import numpy as np

from stacker.arrays.peaks import Peaks, drift_of, peak_place, take_frame
from stacker.arrays.smoothing import pyramid_down, pyramid_up
from stacker.depth import ENOUGH_CERTAINTY
from stacker.errors import InputError
from stacker.sharpness import POOL_REACH, POOL_SIGMA, NoiseFloor

if TYPE_CHECKING:
    from stacker.arrays.passes import ArrayPasses

__all__ = ["ArrayPeaks", "filled_smoothly", "noise_at"]


class ArrayPeaks:
    """`depth.PeakAccumulator` on arrays of the module of `passes`.

    Parameters
    ----------
    passes : ArrayPasses
        Where the arrays are.
    shape : (height, width)
        Size of the energy maps.

    Attributes
    ----------
    n_frames : int
        Frames added.
    """

    def __init__(self, passes: "ArrayPasses", shape: tuple[int, int]) -> None:
        self._passes = passes
        self._xp = xp = passes.xp
        self._shape = shape
        self._peaks = Peaks.none(xp, shape)
        # Energy and luma of the last three frames, newest last.
        self._recent: deque[tuple[Any, Any]] = deque(maxlen=3)
        self.n_frames = 0

    def add(self, energy: Any, luma: Any) -> None:
        """Take the next frame; negative where it has no data. Kept, not copied."""
        if energy.shape != self._shape or luma.shape != self._shape:
            msg = f"maps are {energy.shape} and {luma.shape}: expected {self._shape}"
            raise InputError(msg)
        self._recent.append((energy, luma))
        self.n_frames += 1
        if self.n_frames >= 2:
            self._judge(self.n_frames - 2)

    def _judge(self, number: int) -> None:
        """Take frame `number`, the last but one or the last, into the running peak."""
        energies = [e for e, _ in self._recent]
        lumas = [v for _, v in self._recent]
        is_last = number == self.n_frames - 1
        own = len(energies) - (1 if is_last else 2)
        older, newer = max(own - 1, 0), min(own + 1, len(energies) - 1)
        drift = drift_of(
            self._xp, lumas[older], lumas[newer], one_sided=newer - older < 2
        )
        drift = self._passes.gaussian_blur(drift, POOL_SIGMA, POOL_REACH)
        previous = energies[own - 1] if own > 0 else None
        following = energies[own + 1] if not is_last else None
        if is_last and own >= 2:
            # The peak at the last frame has one neighbour: the free slot takes the
            # last frame but two.
            following = energies[own - 2]
        around = energies[own], previous, following
        take_frame(self._xp, self._peaks, number, around, drift)

    def finish(self, floor: Any) -> tuple[Any, Any]:
        """Peak place, and its height above the noise in units of `floor`."""
        self._judge(self.n_frames - 1)
        self._recent.clear()
        peaks = self._peaks
        index = peak_place(self._xp, peaks, self.n_frames, floor)
        mean = peaks.total / self._xp.maximum(peaks.count, 1).astype(np.float32)
        above = self._xp.maximum(peaks.best, 0) - mean
        return index, above / (floor + np.float32(1e-12))


def noise_at(xp: Any, floor: NoiseFloor, luma: Any) -> Any:
    """`NoiseFloor.at` on arrays of `xp`."""
    curve = xp.asarray(floor.curve)
    k = xp.clip(luma * np.float32(255), 0, 255)
    low = k.astype(np.uint8)
    far = k - low
    return curve[low] * (1 - far) + curve[xp.minimum(low, 254) + 1] * far


def filled_smoothly(xp: Any, values: Any, certainty: Any) -> Any:
    """`depth.fill_smoothly` on arrays of `xp`."""
    weights, products = [certainty], [values * certainty]
    while max(weights[-1].shape) > 1:
        weights.append(pyramid_down(xp, weights[-1]))
        products.append(pyramid_down(xp, products[-1]))
    coarse = xp.full_like(weights[-1], float(values.mean()))
    for weight, product in zip(reversed(weights), reversed(products), strict=True):
        if coarse.shape != weight.shape:
            coarse = pyramid_up(xp, coarse, weight.shape)
        mean = product / xp.maximum(weight, np.float32(1e-9))
        trust = xp.minimum(weight / np.float32(ENOUGH_CERTAINTY), 1)
        coarse = coarse + (mean - coarse) * trust
    return coarse
