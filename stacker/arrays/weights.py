"""Weights of the frames at half size: focal interpolation, or a broad mean."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from stacker import _kernels
from stacker.arrays.warping import covered
from stacker.frame import Matrix3x3

__all__ = ["FocalWeights", "expanded", "frame_weights", "weight_of", "weight_sums"]

# Below this sum of weights the reference stands alone (as in `_kernels.blending`).
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


def weight_sums(
    xp: Any,
    focus: FocalWeights,
    to_frames: Sequence[Matrix3x3],
    frame: tuple[int, int],
    reference: int,
) -> tuple[Any, Any, list[bool]]:
    """Factors that bring the weights to a sum of 1, and who weighs most.

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
        Counts alone where the weights are next to nothing.

    Returns
    -------
    inverse : (h, w) float32
        0 = the reference alone counts.
    owner : (h, w) int16
    has_weight : list of bool
        Of each frame, whether it has any weight.
    """
    shape = focus.index.shape
    total = xp.zeros(shape, np.float32)
    top = xp.full(shape, -1, np.float32)
    owner = xp.full(shape, reference, np.int16)
    has_weight = []
    for number, to_frame in enumerate(to_frames):
        weight = weight_of(xp, number, focus)
        counts = (weight != 0) & covered(xp, to_frame, shape, frame)
        total += xp.where(counts, weight, np.float32(0))
        has_weight.append(number == reference or bool(counts.any()))
        leads = counts & (weight > top)
        top = xp.where(leads, weight, top)
        owner = xp.where(leads, np.int16(number), owner)
    enough = total >= np.float32(LEAST_WEIGHT)
    inverse = xp.where(
        enough, 1 / xp.where(enough, total, np.float32(1)), np.float32(0)
    )
    return inverse, xp.where(enough, owner, np.int16(reference)), has_weight


def frame_weights(
    xp: Any,
    number: int,
    focus: FocalWeights,
    inverse: Any,
    covers: Any,
    *,
    is_reference: bool,
) -> Any:
    """Weights of one frame, (h, w) float32; `covers` is bool, where the frame shows."""
    weight = xp.where(covers, inverse * weight_of(xp, number, focus), np.float32(0))
    alone = np.float32(1 if is_reference else 0)
    return xp.where(inverse == 0, alone, weight)


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
