"""Weights of the frames at half size: focal interpolation, or a broad mean."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Self

import numpy as np

from stacker import _kernels
from stacker.arrays.warping import half_places, within
from stacker.frame import Matrix3x3
from stacker.fusion import Unused

__all__ = [
    "FocalWeights",
    "WeightSums",
    "expanded",
    "frame_weights",
    "weight_of",
    "weight_sums",
]

# Below this sum of weights one frame stands alone (as in `_kernels.weight_sums`).
LEAST_WEIGHT = 0.3


class FocalWeights(NamedTuple):
    """Where focus peaks, and weights by distance from there.

    Attributes
    ----------
    index, fill, certainty : (h, w) float32
        As in `depth.FocusMaps`.
    sharp, broad : (n,) float32
        Weight by distance in steps of ``1 / WEIGHT_STEPS`` frames, 0 beyond the end.
    """

    index: Any
    fill: Any
    certainty: Any
    sharp: Any
    broad: Any


def _at_distance(xp: Any, table: Any, distance: Any) -> Any:
    steps = np.float32(_kernels.WEIGHT_STEPS)
    k = (xp.abs(distance) * steps + np.float32(0.5)).astype(np.int32)
    inside = xp.minimum(k, len(table) - 1)
    return xp.where(k < len(table), table[inside], np.float32(0))


def weight_of(xp: Any, number: int, focus: FocalWeights) -> Any:
    """Weight of frame `number` at every place, before the weights are brought to 1."""
    n = np.float32(number)
    sharp = _at_distance(xp, focus.sharp, n - focus.index)
    broad = _at_distance(xp, focus.broad, n - focus.fill)
    return focus.certainty * sharp + (1 - focus.certainty) * broad


def _usable(
    xp: Any,
    number: int,
    to_frame: Matrix3x3,
    half: tuple[int, int],
    frame: tuple[int, int],
    unused: Unused,
) -> tuple[Any, Any | None]:
    """Where a frame may be used, and where it has dust (None where there is no dust).

    `half` is the size of the master's half-size grid, `frame` that of a frame.
    """
    x, y = half_places(xp, to_frame, half)
    usable = within(x, y, frame)
    for k, first_row, end_row, first_column, end_column in unused.boxes.tolist():
        if k == number:
            usable[first_row:end_row, first_column:end_column] = False
    dusty = None
    for speck_x, speck_y, radius in unused.specks.tolist():
        inside = (x - speck_x) ** 2 + (y - speck_y) ** 2 < radius**2
        dusty = inside if dusty is None else dusty | inside
    return usable, dusty


@dataclass(slots=True)
class _Sum:
    """Sum of the weights at every place, and who weighs most."""

    total: Any
    top: Any
    owner: Any

    @classmethod
    def none(cls, xp: Any, shape: tuple[int, int], reference: int) -> Self:
        top = xp.full(shape, -1, np.float32)
        owner = xp.full(shape, reference, np.int16)
        return cls(total=xp.zeros(shape, np.float32), top=top, owner=owner)

    def take(self, xp: Any, number: int, weight: Any, counts: Any) -> None:
        self.total += xp.where(counts, weight, np.float32(0))
        leads = counts & (weight > self.top)
        self.top = xp.where(leads, weight, self.top)
        self.owner = xp.where(leads, np.int16(number), self.owner)


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightSums:
    """What `weight_sums` finds.

    Attributes
    ----------
    inverse : (h, w) float32
        Factor that brings the weights to a sum of 1; negative where dust must be borne,
        because no clean frame is in focus; 0 where the owner alone counts.
    owner : (h, w) int16
        The frame with the largest weight, or the nearest usable one.
    has_weight : list of bool
        Of each frame, whether it may have any.
    """

    inverse: Any
    owner: Any
    has_weight: list[bool]


def weight_sums(
    xp: Any,
    focus: FocalWeights,
    to_frames: Sequence[Matrix3x3],
    frame: tuple[int, int],
    reference: int,
    unused: Unused,
) -> WeightSums:
    """Add up the weights of all frames.

    Parameters
    ----------
    xp : module
        The arrays' own.
    focus : FocalWeights
        On the master's grid, half size.
    to_frames : sequence of (3, 3) arrays
        Master pixel to pixel of each frame.
    frame : (height, width)
        Full size of a frame.
    reference : int
        Counts alone where no frame is usable.
    unused : Unused
        What must not get into the picture.
    """
    shape = focus.index.shape
    clean = _Sum.none(xp, shape, reference)
    all_of_them = _Sum.none(xp, shape, reference) if len(unused.specks) else clean
    place = focus.certainty * focus.index + (1 - focus.certainty) * focus.fill
    middle = (place + np.float32(0.5)).astype(np.int16)
    nearest = xp.full(shape, reference, np.int16)
    least = xp.full(shape, 2 * len(to_frames), np.int16)
    shown = []
    for number, to_frame in enumerate(to_frames):
        weight = weight_of(xp, number, focus)
        usable, dusty = _usable(xp, number, to_frame, shape, frame, unused)
        counts = usable & (weight != 0)
        shown.append(bool(counts.any()))
        if dusty is None:
            clean.take(xp, number, weight, counts)
        else:
            clean.take(xp, number, weight, counts & ~dusty)
            all_of_them.take(xp, number, weight, counts)
        # Of two frames equally far the one before comes first.
        steps = 2 * xp.abs(middle - np.int16(number)) - (middle > number)
        is_nearer = usable & (steps < least)
        nearest = xp.where(is_nearer, np.int16(number), nearest)
        least = xp.where(is_nearer, steps, least)
    inverse, owner = xp.zeros(shape, np.float32), nearest
    for found, sign in ((all_of_them, -1), (clean, 1)):
        enough = found.total >= np.float32(LEAST_WEIGHT)
        total = xp.where(enough, found.total, np.float32(1))
        inverse = xp.where(enough, np.float32(sign) / total, inverse)
        owner = xp.where(enough, found.owner, owner)
    leads = xp.bincount(owner.ravel(), minlength=len(to_frames)).tolist()
    has_weight = [counts or n > 0 for counts, n in zip(shown, leads, strict=True)]
    return WeightSums(inverse=inverse, owner=owner, has_weight=has_weight)


def frame_weights(
    xp: Any,
    number: int,
    focus: FocalWeights,
    sums: WeightSums,
    to_frame: Matrix3x3,
    frame: tuple[int, int],
    unused: Unused,
) -> Any:
    """Weights of one frame, (h, w) float32; arguments as of `weight_sums`."""
    inverse = sums.inverse
    counts, dusty = _usable(xp, number, to_frame, inverse.shape, frame, unused)
    if dusty is not None:
        counts &= ~(dusty & (inverse > 0))
    weight = xp.abs(inverse) * weight_of(xp, number, focus)
    alone = (inverse == 0) & (sums.owner == number)
    return xp.where(counts, weight, np.float32(0)) + alone.astype(np.float32)


def expanded(xp: Any, half: Any, shape: tuple[int, int]) -> Any:
    """Bilinear full-size map of `shape` from a half-size one; the edge repeats."""
    near, far = np.float32(0.75), np.float32(0.25)
    wide = xp.pad(half, 1, mode="edge")
    here, above, below = wide[1:-1], wide[:-2], wide[2:]
    rows = xp.stack([near * here + far * above, near * here + far * below], axis=1)
    rows = rows.reshape(2 * half.shape[0], wide.shape[1])
    here, left, right = rows[:, 1:-1], rows[:, :-2], rows[:, 2:]
    both = xp.stack([far * left + near * here, near * here + far * right], axis=2)
    return both.reshape(2 * half.shape[0], 2 * half.shape[1])[: shape[0], : shape[1]]
