"""The picture from frames and weights, held in the range of its sources."""

from typing import Any, NamedTuple, Self

import numpy as np

from stacker.arrays.weights import expanded

__all__ = ["Sums", "add_frame", "finished", "finished_maps", "on_curve", "spread_range"]

TOP_CODE = 65535
# From this weight on a frame's values bound the result (as in `_kernels.blending`).
POSITIVE_WEIGHT = 0.05
# The range is kept in bytes, rounded outward.
RANGE_STEPS = 255
ROUND_UP = 0.999


class Sums(NamedTuple):
    """What is added up, (H, W * C) each: float32, and the range in 1/255, uint8."""

    total: Any
    low: Any
    high: Any

    @classmethod
    def none(cls, xp: Any, shape: tuple[int, int]) -> Self:
        """Return the state before the first frame."""
        low, high = xp.full(shape, RANGE_STEPS, np.uint8), xp.zeros(shape, np.uint8)
        return cls(xp.zeros(shape, np.float32), low, high)


def on_curve(xp: Any, curves: Any, values: Any, itemsize: int) -> Any:
    """Normalised value 0..1 of (H, W, C) codes: that of the nearest 16-bit code."""
    to16 = np.float32(257 if itemsize == 1 else 1)
    nearest = xp.clip(values * to16, 0, TOP_CODE) + np.float32(0.5)
    codes = nearest.astype(np.int32)
    return xp.stack([row[codes[..., c]] for c, row in enumerate(curves)], axis=-1)


def add_frame(xp: Any, sums: Sums, values: Any, half_weights: Any) -> None:
    """Add a frame's normalised values (H, W, C) to the sums, in place."""
    height, width, channels = values.shape
    weight = expanded(xp, half_weights, (height, width))
    weight = xp.repeat(weight, channels, axis=1)
    flat = values.reshape(height, -1)
    sums.total[...] += weight * flat
    scaled = flat * np.float32(RANGE_STEPS)
    below = scaled.astype(np.int32)
    above = xp.minimum((scaled + np.float32(ROUND_UP)).astype(np.int32), RANGE_STEPS)
    counts = weight > np.float32(POSITIVE_WEIGHT)
    low = xp.where(counts, below, RANGE_STEPS).astype(np.uint8)
    high = xp.where(counts, above, 0).astype(np.uint8)
    sums.low[...] = xp.minimum(sums.low, low)
    sums.high[...] = xp.maximum(sums.high, high)


def spread_range(xp: Any, sums: Sums, channels: int) -> Sums:
    """Widen the range to that of the 3 x 3 pixels around each place."""
    spread = []
    for image, most in ((sums.low, xp.minimum), (sums.high, xp.maximum)):
        pixels = image.reshape(image.shape[0], -1, channels)
        wide = xp.pad(pixels, ((1, 1), (1, 1), (0, 0)), mode="edge")
        rows = most(most(wide[:-2], wide[1:-1]), wide[2:])
        both = most(most(rows[:, :-2], rows[:, 1:-1]), rows[:, 2:])
        spread.append(both.reshape(image.shape))
    return Sums(sums.total, *spread)


def finished(xp: Any, sums: Sums) -> Any:
    """Hold the sums in the range of their sources, as 16-bit codes (H, W * C)."""
    value = sums.total * np.float32(RANGE_STEPS)
    low, high = sums.low.astype(np.float32), sums.high.astype(np.float32)
    held = xp.minimum(xp.maximum(value, low), high)
    value = xp.where(low <= high, held, value)
    value = xp.clip(value, 0, RANGE_STEPS)
    step = np.float32(TOP_CODE / RANGE_STEPS)
    return (value * step + np.float32(0.5)).astype(np.uint16)


def finished_maps(
    xp: Any, code: Any, sure: Any, owner: Any, shape: tuple[int, int]
) -> tuple[Any, Any, Any]:
    """Full-size depth (uint16), confidence (uint8) and coverage (as `owner`).

    `code` (h, w) float32 holds depth codes, `sure` confidence 0..255, `owner` the number
    of the frame that supplies each place.
    """
    half = np.float32(0.5)
    depth = (expanded(xp, code, shape) + half).astype(np.uint16)
    confidence = (expanded(xp, sure, shape) + half).astype(np.uint8)
    coverage = xp.repeat(xp.repeat(owner, 2, axis=0), 2, axis=1)
    return depth, confidence, coverage[: shape[0], : shape[1]]
