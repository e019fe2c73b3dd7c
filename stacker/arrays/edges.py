"""Depth steps moved to the edges of the picture, and what near things hide."""

from typing import Any

import numpy as np

from stacker._kernels import GUIDE_SHIFT, LIKENESS_SHIFT
from stacker.edges import (
    DIAGONAL,
    DOUBT,
    LEAST_TRUST,
    NEAR_REACH,
    STEP_ERROR,
    STEP_FRAMES,
    STEP_REACH,
    SURELY_HIDDEN_FRAMES,
    WINDOW_STRIDE,
    likeness_tables,
)

__all__ = ["followed", "guide_of", "hidden_share"]

# Places judged at a time: a window of each is kept.
PLACES_AT_ONCE = 1 << 18


def guide_of(xp: Any, picture: Any) -> Any:
    """Half-size picture in 12 bits, (h, w, C), of one in 16, (H, W, C)."""
    height, width, _ = picture.shape
    odd = ((0, height % 2), (0, width % 2), (0, 0))
    codes = xp.pad(picture, odd, mode="edge").astype(np.int32)
    total = codes[::2, ::2] + codes[1::2, ::2] + codes[::2, 1::2] + codes[1::2, 1::2]
    return (total >> GUIDE_SHIFT).astype(np.uint16)


def _over_square(xp: Any, image: Any, reach: int, pick: Any) -> Any:
    """Pick, of the square `reach` each way, along rows and then along columns."""
    for axis in (0, 1):
        border = [(0, 0), (0, 0)]
        border[axis] = (reach, reach)
        wide = xp.pad(image, border, mode="edge")
        n = image.shape[axis]
        shifted = (
            wide[k : k + n] if axis == 0 else wide[:, k : k + n]
            for k in range(2 * reach + 1)
        )
        image = next(shifted)
        for other in shifted:
            image = pick(image, other)
    return image


def followed(xp: Any, place: Any, certainty: Any, guide: Any) -> Any:
    """`edges.follow_picture`: exact weighted medians."""
    span = _over_square(xp, place, STEP_REACH, xp.maximum)
    span = span - _over_square(xp, place, STEP_REACH, xp.minimum)
    is_close = span > np.float32(STEP_FRAMES)
    is_near = _over_square(xp, is_close, NEAR_REACH, xp.logical_or)
    trust = certainty + np.float32(LEAST_TRUST)
    trust = trust * xp.where(is_close, np.float32(DOUBT), np.float32(1))
    by_distance, by_likeness = (xp.asarray(table) for table in likeness_tables())
    reach = by_distance.shape[0] // 2
    steps = xp.arange(-reach, reach + 1) * WINDOW_STRIDE
    down, across = (a.ravel() for a in xp.meshgrid(steps, steps, indexing="ij"))
    rows, columns = xp.nonzero(is_near)
    out = place.copy()
    height, width = place.shape
    codes = guide.astype(np.int32)
    for k in range(0, len(rows), PLACES_AT_ONCE):
        row, column = rows[k : k + PLACES_AT_ONCE], columns[k : k + PLACES_AT_ONCE]
        a, b = row[:, None] + down, column[:, None] + across
        is_inside = (a >= 0) & (a < height) & (b >= 0) & (b < width)
        a, b = xp.clip(a, 0, height - 1), xp.clip(b, 0, width - 1)
        apart = (codes[a, b] - codes[row, column][:, None]) ** 2
        apart = apart.sum(axis=-1) * (3 // guide.shape[2]) >> LIKENESS_SHIFT
        last = len(by_likeness) - 1
        alike = xp.where(apart > last, 0, by_likeness[xp.minimum(apart, last)])
        weight = trust[a, b] * alike * by_distance.ravel() * is_inside
        out[row, column] = _weighted_median(xp, place[a, b], weight)
    return out


def _weighted_median(xp: Any, values: Any, weights: Any) -> Any:
    """Smallest of `values` (m, n) up to which half of the weight lies, (m,)."""
    order = xp.argsort(values, axis=1)
    total = xp.cumsum(xp.take_along_axis(weights, order, axis=1), axis=1)
    first = (total < total[:, -1:] / 2).sum(axis=1)
    ranked = xp.take_along_axis(values, order, axis=1)
    return xp.take_along_axis(ranked, first[:, None], axis=1)[:, 0]


def hidden_share(xp: Any, place: Any, blur_px: float) -> Any:
    """`edges.hidden_share`: cones grown place by place until nothing changes."""
    nearness = place if blur_px < 0 else -place
    step = np.float32(2 / max(abs(blur_px), 1e-3))
    reach = nearness
    while True:
        wide = xp.pad(reach, 1, mode="constant", constant_values=-np.inf)
        grown = reach
        for i in (0, 1, 2):
            for j in (0, 1, 2):
                away = np.float32(DIAGONAL if i != 1 and j != 1 else 1) * step
                part = wide[i : i + reach.shape[0], j : j + reach.shape[1]]
                if (i, j) != (1, 1):
                    grown = xp.maximum(grown, part - away)
        if bool((grown == reach).all()):
            break
        reach = grown
    share = (reach - nearness) * np.float32(1 / SURELY_HIDDEN_FRAMES)
    return _over_square(xp, xp.minimum(share, np.float32(1)), STEP_ERROR, xp.maximum)
