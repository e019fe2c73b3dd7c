"""Bringing a frame's maps to the grid of the first pass."""

import numpy as np

from stacker._kernels.runtime import jit

__all__ = ["take_in_rows"]

# Places are linear along so many columns: a projective transform's error is far below
# what a bilinear map shows.
SEGMENT, LONG_SEGMENT = 32, 512
# What inverting an affine transform may leave of its last row.
AFFINE = 1e-12
OUTSIDE = -1.0


@jit
def _sampled(image, y, x, factor):
    """Sample a map times a factor bilinearly at one place; beyond it is `OUTSIDE`."""
    height, width = image.shape
    if not (-1 < x < width and -1 < y < height):
        return np.float32(OUTSIDE)
    top, left = int(np.floor(y)), int(np.floor(x))
    down, across = np.float32(y - top), np.float32(x - left)
    out = np.float32(0)
    for i in range(2):
        for j in range(2):
            share = (down if i else 1 - down) * (across if j else 1 - across)
            value = np.float32(OUTSIDE)
            if 0 <= top + i < height and 0 <= left + j < width:
                value = factor * image[top + i, left + j]
            out += share * value
    return out


@jit
def _run(fraction, change, longest):
    """How many steps a fraction that changes so much per step stays within 0 and 1."""
    n = longest
    if change > 0:
        n = min(n, int((1 - fraction) / change))
    elif change < 0:
        n = min(n, int(fraction / -change))
    return max(n, 1)


@jit
def _blended(image, at, stride, y, dy, x, dx, factor, out, to, n):
    """Sample a map along a run: between two rows, one column on for each place.

    `at` and `to` are the run's first samples in `image` and `out`, all unsigned, so that
    indices need no check for the sign.
    """
    fy, fdy, fx, fdx = np.float32(y), np.float32(dy), np.float32(x), np.float32(dx)
    below, one = at + stride, np.uint64(1)
    for k in range(n):
        down, across = fy + np.float32(k) * fdy, fx + np.float32(k) * fdx
        a, b = image[at + k], image[below + k]
        a += across * (image[at + one + k] - a)
        b += across * (image[below + one + k] - b)
        out[to + k] = factor * (a + down * (b - a))


@jit
def _line(m, r, c0, c1):
    """Where column `c0` of row `r` lies in a frame, and the way to the next column."""
    da = m[2, 0] * c0 + m[2, 1] * r + m[2, 2]
    db = m[2, 0] * c1 + m[2, 1] * r + m[2, 2]
    x = (m[0, 0] * c0 + m[0, 1] * r + m[0, 2]) / da
    y = (m[1, 0] * c0 + m[1, 1] * r + m[1, 2]) / da
    dx = ((m[0, 0] * c1 + m[0, 1] * r + m[0, 2]) / db - x) / (c1 - c0)
    dy = ((m[1, 0] * c1 + m[1, 1] * r + m[1, 2]) / db - y) / (c1 - c0)
    return x, y, dx, dy


@jit
def _stays_inside(x, y, dx, dy, n, width, height):
    """Whether the neighbours of all places of a line lie in the frame."""
    x_end, y_end = x + dx * n, y + dy * n
    across = min(x, x_end) >= 0 and max(x, x_end) < width - 2
    return across and min(y, y_end) >= 0 and max(y, y_end) < height - 2


@jit
def take_in_rows(
    energy,
    luma,
    m,
    slope,
    energy_out,
    luma_out,
    first_luma,
    white,
    is_white,
    first,
    end,
):
    """Sample a frame's maps on the grid, rows `first` to `end`.

    Parameters
    ----------
    energy, luma
        (h, w) float32 maps of the frame.
    m
        (3, 3) float64, place of the grid to place of the maps.
    slope
        Factor that brings luma to the first frame's light; its square for energy.
    energy_out, luma_out
        (H, W) float32, written: negative where the frame does not reach.
    first_luma
        (H, W) float32: what is negative is replaced by `luma_out`.
    white
        Luma from which on a place is noted as cut off.
    is_white
        (H, W) uint8, set to 1 there.
    first, end
        Rows of the grid.
    """
    height, width = luma.shape
    light, square = np.float32(slope), np.float32(slope * slope)
    flat_energy, flat_luma = energy.reshape(energy.size), luma.reshape(luma.size)
    flat_energy_out = energy_out.reshape(energy_out.size)
    flat_luma_out = luma_out.reshape(luma_out.size)
    columns = luma_out.shape[1]
    # Affine places are linear all along a row; the ends of it may lie outside.
    segment = SEGMENT if max(abs(m[2, 0]), abs(m[2, 1])) > AFFINE else LONG_SEGMENT
    for r in range(first, end):
        c1 = 0
        while c1 < columns:
            c0, c1 = c1, min(c1 + segment, columns)
            x, y, dx, dy = _line(m, r, c0, c1)
            is_inside = _stays_inside(x, y, dx, dy, c1 - c0, width, height)
            if not is_inside and c1 > c0 + SEGMENT:
                c1 = c0 + SEGMENT
                x, y, dx, dy = _line(m, r, c0, c1)
                is_inside = _stays_inside(x, y, dx, dy, c1 - c0, width, height)
            if not is_inside:
                for c in range(c0, c1):
                    xc, yc = x + dx * (c - c0), y + dy * (c - c0)
                    energy_out[r, c] = _sampled(energy, yc, xc, square)
                    luma_out[r, c] = _sampled(luma, yc, xc, light)
                continue
            c = c0
            while c < c1:
                xc, yc = x + dx * (c - c0), y + dy * (c - c0)
                left, top = int(xc), int(yc)
                n = _run(xc - left, dx - 1, _run(yc - top, dy, c1 - c))
                at, to = np.uint64(top * width + left), np.uint64(r * columns + c)
                way = np.uint64(width), yc - top, dy, xc - left, dx - 1
                some = np.uint64(n)
                _blended(flat_energy, at, *way, square, flat_energy_out, to, some)
                _blended(flat_luma, at, *way, light, flat_luma_out, to, some)
                c += n
        _note(luma_out[r], first_luma[r], white, is_white[r])


@jit
def _note(luma, first_luma, white, is_white):
    """Fill gaps of what was seen first, and note what is cut off."""
    # Both are rare: most rows are only looked at.
    n_gaps, n_white = 0, 0
    for c in range(luma.shape[0]):
        n_gaps += first_luma[c] < 0
        n_white += luma[c] >= white
    if n_gaps:
        for c in range(luma.shape[0]):
            if first_luma[c] < 0:
                first_luma[c] = luma[c]
    if n_white:
        for c in range(luma.shape[0]):
            if luma[c] >= white:
                is_white[c] = 1
