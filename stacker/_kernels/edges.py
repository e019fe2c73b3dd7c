"""Depth steps moved to the edges of the picture, and what near things hide beside them."""

import numpy as np

from stacker._kernels.runtime import jit

__all__ = ["GUIDE_SHIFT", "LIKENESS_SHIFT", "follow_rows", "guide_rows", "hide_rows"]

# Sum of four 16-bit codes to a 12-bit code; squared differences of those to a table.
GUIDE_SHIFT = 6
LIKENESS_SHIFT = 6
# Halvings of the range in the search for a weighted median: most often one value is left.
HALVINGS = 7
BELOW_ALL = np.float32(1e-3)


@jit
def guide_rows(flat, n_channels, guide, first, end):
    """Means of 2 x 2 pixels of the picture in 12 bits, rows `first` to `end`.

    `flat` (H, W * C) uint16; `guide` (ceil(H/2), ceil(W/2), C) uint16 is written. Beyond
    an odd side its last pixel repeats.
    """
    height, width = flat.shape[0], flat.shape[1] // n_channels
    for i in range(first, end):
        above, below = flat[2 * i], flat[min(2 * i + 1, height - 1)]
        for j in range(width >> 1):
            for ch in range(n_channels):
                k = 2 * j * n_channels + ch
                total = np.int32(above[k]) + np.int32(above[k + n_channels])
                total += np.int32(below[k]) + np.int32(below[k + n_channels])
                guide[i, j, ch] = total >> GUIDE_SHIFT
        if width & 1:
            for ch in range(n_channels):
                k = (width - 1) * n_channels + ch
                total = np.int32(above[k]) + np.int32(below[k])
                guide[i, width >> 1, ch] = total >> (GUIDE_SHIFT - 1)


@jit
def follow_rows(
    place,
    certainty,
    guide,
    is_close,
    is_near,
    by_distance,
    by_likeness,
    stride,
    least,
    doubt,
    out,
    first,
    end,
):
    """Weighted medians of depth over alike places, rows `first` to `end`.

    Parameters
    ----------
    place, certainty
        (h, w) float32, depth and how much it counts.
    guide
        (h, w, C) uint16, the picture as `guide_rows` makes it.
    is_close, is_near
        (h, w) uint8, not 0 where a place counts less; 0 where `place` is copied.
    by_distance
        (2 r + 1, 2 r + 1) float32, weight by place in the window.
    by_likeness
        (n,) float32, weight by squared difference of the guide in steps of
        ``1 << LIKENESS_SHIFT``, 0 beyond; the sum over three channels, or three times
        that of one.
    stride
        From place to place of the window.
    least, doubt
        float32, added to all certainties; factor where a place counts less.
    out
        (h, w) float32, written.
    first, end
        Rows.
    """
    height, width = place.shape
    side, n_alike = by_distance.shape[0], by_likeness.shape[0]
    r = side // 2
    values = np.empty(by_distance.size, np.float32)
    weights = np.empty(by_distance.size, np.float32)
    for i in range(first, end):
        for j in range(width):
            if is_near[i, j] == 0:
                out[i, j] = place[i, j]
                continue
            n, total = 0, np.float32(0)
            low, high = np.float32(np.inf), np.float32(-np.inf)
            red, green, blue = _colour(guide[i], j)
            first_v = max(0, r - j // stride)
            end_v = min(side, r + (width - 1 - j) // stride + 1)
            for u in range(side):
                a = i + stride * (u - r)
                if a < 0 or a >= height:
                    continue
                colours, trusts = guide[a], certainty[a]
                places, close, nearness = place[a], is_close[a], by_distance[u]
                for v in range(first_v, end_v):
                    b = j + stride * (v - r)
                    other_red, other_green, other_blue = _colour(colours, b)
                    d, e = other_red - red, other_green - green
                    f = other_blue - blue
                    apart = (d * d + e * e + f * f) >> np.int32(LIKENESS_SHIFT)
                    if apart >= n_alike:
                        continue
                    w = by_likeness[apart] * nearness[v]
                    w *= trusts[b] + least
                    if close[b] != 0:
                        w *= doubt
                    value = places[b]
                    values[n], weights[n] = value, w
                    total += w
                    low, high = min(low, value), max(high, value)
                    n += 1
            out[i, j] = _weighted_median(values, weights, n, total, low, high)


@jit
def _colour(row, j):
    """Three channels of a place; one channel stands for all three."""
    if row.shape[1] == 3:
        return np.int32(row[j, 0]), np.int32(row[j, 1]), np.int32(row[j, 2])
    grey = np.int32(row[j, 0])
    return grey, grey, grey


@jit
def _weighted_median(values, weights, n, total, low, high):
    """Smallest value up to which half of the weight lies.

    Halving the range leaves a few values; they are tried one by one.
    """
    half = np.float32(0.5) * total
    low -= BELOW_ALL
    for _ in range(HALVINGS):
        middle = np.float32(0.5) * (low + high)
        below = np.float32(0)
        for k in range(n):
            below += weights[k] if values[k] <= middle else np.float32(0)
        if below >= half:
            high = middle
        else:
            low = middle
    while True:
        following, below = np.float32(np.inf), np.float32(0)
        for k in range(n):
            v = values[k]
            following = min(following, v if v > low else following)
        for k in range(n):
            below += weights[k] if values[k] <= following else np.float32(0)
        if below >= half or following >= high:
            return following
        low = following


@jit
def hide_rows(reach, step, diagonal):
    """Put a cone over every place of `reach` (h, w) float32, and keep the highest.

    In place it becomes the largest of ``reach[q] - distance(p, q) * step`` over all q.
    Chamfer distances in two sweeps, `step` to a neighbour and `diagonal` over a corner.

    References
    ----------
    Borgefors, G. (1986), Distance transformations in digital images, Computer Vision,
    Graphics, and Image Processing 34, 344-371.
    """
    height, width = reach.shape
    for i in range(height):
        row = reach[i]
        if i > 0:
            _lower_onto(reach[i - 1], row, step, diagonal)
        for j in range(1, width):
            row[j] = max(row[j], row[j - 1] - step)
    for i in range(height - 1, -1, -1):
        row = reach[i]
        if i + 1 < height:
            _lower_onto(reach[i + 1], row, step, diagonal)
        for j in range(width - 2, -1, -1):
            row[j] = max(row[j], row[j + 1] - step)


@jit
def _lower_onto(other, row, step, diagonal):
    """Take into a row what the cones over the row beside it reach."""
    last = row.shape[0] - 1
    for j in range(1, last):
        corner = max(other[j - 1], other[j + 1]) - diagonal
        row[j] = max(row[j], other[j] - step, corner)
    row[0] = max(row[0], other[0] - step)
    row[last] = max(row[last], other[last] - step)
    if last > 0:
        row[0] = max(row[0], other[1] - diagonal)
        row[last] = max(row[last], other[last - 1] - diagonal)
