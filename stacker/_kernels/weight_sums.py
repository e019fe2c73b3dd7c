"""Sum of the weights of all frames at each place, and the frame that leads there."""

import numpy as np

from stacker._kernels.runtime import jit
from stacker._kernels.weights import (
    WEIGHT_STEPS,
    at_place,
    covers,
    is_in_box,
    is_on_speck,
    step_of,
    weight_at,
)

__all__ = ["weight_sum_rows"]

# Below this sum of weights, which lobes of a few frames alone can give, one frame stands
# alone.
LEAST_WEIGHT = 0.3


@jit
def weight_sum_rows(
    index,
    fill,
    certainty,
    sharp,
    broad,
    to_frames,
    height,
    width,
    specks,
    boxes,
    seen_by_all,
    reference,
    inverse,
    owner,
    first,
    end,
):
    """Scale the weights to a sum of 1: by what, rows `first` to `end` at half size.

    `to_frames` (n, 3, 3) float64 takes master pixels to pixels of each frame, of `height`
    x `width`. Not used are places on `specks` (k, 3) float64, x, y and radius in pixels
    of every frame, and in `boxes` (k, 5) int64, a frame's number and the half-size rows
    and columns from and to. `seen_by_all` (4,) int64 are half-size rows and columns from
    and to within which every frame reaches. `inverse` (h, w) float32 is written, negative
    where dust must be borne, because no clean frame is in focus, and 0 where the owner
    alone counts; and `owner` (h, w) int16, the frame with the largest weight, or the
    nearest usable one.
    """
    is_plain = specks.shape[0] == 0 and boxes.shape[0] == 0
    n = to_frames.shape[0]
    sharp_sums, broad_sums = _sums_by_place(sharp, n), _sums_by_place(broad, n)
    last = np.int32((n - 1) * WEIGHT_STEPS)
    for i in range(first, end):
        is_inner_row = seen_by_all[0] <= i < seen_by_all[1]
        for j in range(index.shape[1]):
            is_inner = is_inner_row and seen_by_all[2] <= j < seen_by_all[3]
            near, far, sure = index[i, j], fill[i, j], certainty[i, j]
            if is_plain and is_inner:
                at, beside = min(step_of(near), last), min(step_of(far), last)
                total = sure * sharp_sums[at]
                total += (np.float32(1) - sure) * broad_sums[beside]
                if total >= LEAST_WEIGHT:
                    inverse[i, j] = np.float32(1) / total
                    owner[i, j] = _heaviest(near, far, sure, sharp, broad, n)
                    continue
            inverse[i, j], owner[i, j] = _weight_sum(
                i,
                j,
                near,
                far,
                sure,
                sharp,
                broad,
                to_frames,
                height,
                width,
                specks,
                boxes,
                is_inner,
                reference,
            )


@jit
def _sums_by_place(table, n):
    """Sum of the weights of all of `n` frames, by place in steps as the table's."""
    out = np.zeros((n - 1) * WEIGHT_STEPS + 1, np.float32)
    for k in range(n):
        centre, reach = k * WEIGHT_STEPS, table.shape[0] - 1
        for at in range(max(centre - reach, 0), min(centre + reach + 1, out.shape[0])):
            out[at] += table[abs(at - centre)]
    return out


@jit
def _frames_around(near, far, sure, sharp, broad, n):
    """Frames, from and to, that may have weight at a place."""
    low, high = int(near) - 1, int(near) + 2
    if sure < 1:
        reach = max(sharp.shape[0], broad.shape[0]) // WEIGHT_STEPS + 1
        low = min(low, int(far) - reach + 1)
        high = max(high, int(far) + reach)
    return max(low, 0), min(high + 1, n)


@jit
def _heaviest(near, far, sure, sharp, broad, n):
    """Frame with the largest weight at a place that all reach; of equals the first."""
    if sure == 1:
        k = min(int(near), n - 1)
        if k + 1 < n and at_place(sharp, k + 1, near) > at_place(sharp, k, near):
            return k + 1
        return k
    low, high = _frames_around(near, far, sure, sharp, broad, n)
    top, best = np.float32(-1), low
    for k in range(low, high):
        w = weight_at(k, near, far, sure, sharp, broad)
        if w > top and w != 0:
            top, best = w, k
    return best


@jit
def _weight_sum(
    i,
    j,
    near,
    far,
    sure,
    sharp,
    broad,
    to_frames,
    height,
    width,
    specks,
    boxes,
    is_inner,
    reference,
):
    """Scale and owner at one place, see `weight_sum_rows`: each frame asked in turn."""
    low, high = _frames_around(near, far, sure, sharp, broad, to_frames.shape[0])
    total, top, best = np.float32(0), np.float32(-1), reference
    dusty, dusty_top, dusty_best = np.float32(0), np.float32(-1), reference
    for k in range(low, high):
        w = weight_at(k, near, far, sure, sharp, broad)
        m = to_frames[k]
        if w == 0 or not (is_inner or covers(m, i, j, height, width)):
            continue
        if is_in_box(k, i, j, boxes):
            continue
        dusty += w
        if w > dusty_top:
            dusty_top, dusty_best = w, k
        if not is_on_speck(m, i, j, specks):
            total += w
            if w > top:
                top, best = w, k
    if total >= LEAST_WEIGHT:
        return np.float32(1) / total, best
    if dusty >= LEAST_WEIGHT:
        return np.float32(-1) / dusty, dusty_best
    place = sure * near + (np.float32(1) - sure) * far
    alone = _nearest_usable(to_frames, place, i, j, height, width, boxes, reference)
    return np.float32(0), alone


@jit
def _nearest_usable(to_frames, place, row, col, height, width, boxes, reference):
    """Frame nearest in focus to `place` in which nothing moved at (row, col)."""
    n = to_frames.shape[0]
    middle = int(place + np.float32(0.5))
    for off in range(n):
        for sign in (-1, 1):
            k = middle + sign * off
            if (
                0 <= k < n
                and covers(to_frames[k], row, col, height, width)
                and not is_in_box(k, row, col, boxes)
            ):
                return k
    return reference
