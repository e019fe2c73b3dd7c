"""Resampling: Lanczos interpolation of a block in two one-dimensional passes."""

import numpy as np
import numpy.typing as npt

from stacker._kernels.runtime import jit

__all__ = [
    "BLOCK_SHIFT",
    "LANCZOS_TAPS",
    "block_buffer",
    "lanczos_table",
    "resample_block",
]

# Blocks of 64 x 64 pixels: two passes over one stay in the cache.
BLOCK_SHIFT = 6
# Four lobes: at half a pixel's phase the response at 0.34 c/px is 0.99; three give 0.89.
LANCZOS_TAPS = 8
PHASES_PER_PX = 2048
# The table reaches so far beyond a pixel, so that a run of pixels whose phase drifts
# across a whole number need not be cut in two.
OVERHANG_PX = 1 / 16
# Weights are linear in phase over runs of at most this drift: within 4e-4 of exact.
DRIFT_PX = 1 / 32
# A value may leave the range of the samples on either side by this share of it: real
# peaks between samples survive, rings beside a highlight do not.
SLACK = 1.0


def lanczos_table() -> npt.NDArray[np.float32]:
    """Lanczos weights by phase, (n, `LANCZOS_TAPS`) float32.

    Phases run from -`OVERHANG_PX` to 1 + `OVERHANG_PX`, `PHASES_PER_PX` to the pixel:
    the nearest is within 1/4096 px of the exact place. Each row sums to 1, so that a
    constant stays constant.

    References
    ----------
    Duchon, C. E. (1979), Lanczos filtering in one and two dimensions, J. Appl. Meteor.
    18, 1016-1022.
    """
    half = LANCZOS_TAPS // 2
    beyond = int(OVERHANG_PX * PHASES_PER_PX)
    phase = np.arange(-beyond, PHASES_PER_PX + beyond + 1)[:, None] / PHASES_PER_PX
    x = phase - np.arange(1 - half, half + 1)[None, :]
    weights = np.where(np.abs(x) < half, np.sinc(x) * np.sinc(x / half), 0.0)
    table: npt.NDArray[np.float32] = weights / weights.sum(axis=1, keepdims=True)
    return table.astype(np.float32)


@jit
def _phase_row(place, base):
    """Row of the table for `place`, counted from the sample `base`."""
    row = int((place - base + OVERHANG_PX) * PHASES_PER_PX + 0.5)
    return min(max(row, 0), PHASES_PER_PX + 2 * int(OVERHANG_PX * PHASES_PER_PX))


@jit
def _run_length(drift_per_px):
    """Longest power of two of pixels, 64 at most, that drift by `DRIFT_PX` at most."""
    n = 1 << BLOCK_SHIFT
    while n > 1 and abs(drift_per_px) * n > DRIFT_PX:
        n >>= 1
    return n


@jit
def _base(a, b, n):
    """Sample that a run of `n` pixels from place `a` to `b` counts its phases from."""
    return int(np.floor(a if n == 1 else 0.5 * (a + b)))


@jit
def _weights_between(lanczos, a, b, n, start, slope):
    """Weights at row `a` of the table, and their change per pixel on the way to `b`."""
    for t in range(LANCZOS_TAPS):
        start[t] = lanczos[a, t]
        slope[t] = (lanczos[b, t] - lanczos[a, t]) / np.float32(n)


@jit
def block_buffer(n_channels):
    """Scratch for `resample_block`: two (n, 64) float32 arrays, the result in the first.

    The result's rows are ``column * n_channels + channel`` of the block, its columns the
    rows of the block.
    """
    side = 1 << BLOCK_SHIFT
    result = np.empty((side * n_channels, side), np.float32)
    return result, np.empty((3 * side * n_channels, side), np.float32)


@jit
def resample_block(flat, n_channels, m, lanczos, r0, r1, c0, c1, result, middle):
    """Values of a frame at the pixels of one block of the master.

    Along the frame's columns to where each output row cuts them, then along the output
    rows (Catmull & Smith 1980, 3-D transformations of images in scanline order,
    SIGGRAPH). Each pass runs across the direction that it interpolates in, so that
    neighbours have nearly one phase. A projective transform takes rows to straight
    lines, so both passes find their places exactly.

    Parameters
    ----------
    flat
        (H, W * C) uint8 or uint16, the frame or a window of it; beyond its edges the
        edge repeats.
    n_channels
        C.
    m
        (3, 3) float64, master pixel to frame pixel.
    lanczos
        `lanczos_table`.
    r0, r1, c0, c1
        Rows and columns of the block, at most 64 x 64.
    result, middle
        As `block_buffer` makes them; `middle` is replaced where it is too small.
        ``result[(c - c0) * C + channel, r - r0]`` is written, in codes of the frame.
    """
    height, width = flat.shape[0], flat.shape[1] // n_channels
    reach = LANCZOS_TAPS // 2
    slack = np.float32(SLACK)
    x_low, x_high = np.inf, -np.inf
    for r in (r0, r1):
        for c in (c0, c1):
            d = m[2, 0] * c + m[2, 1] * r + m[2, 2]
            x = (m[0, 0] * c + m[0, 1] * r + m[0, 2]) / d
            x_low, x_high = min(x_low, x), max(x_high, x)
    # Beyond the frame its edge repeats: how far beyond does not matter.
    x_low = min(max(x_low, -2.0 * reach), width - 1.0)
    x_high = max(min(max(x_high, 0.0), width + 2.0 * reach), x_low)
    first = int(np.floor(x_low)) - reach
    n_columns = int(np.floor(x_high)) + reach + 2 - first
    if n_columns * n_channels > middle.shape[0]:
        middle = np.empty((n_columns * n_channels, middle.shape[1]), np.float32)
    left = min(max(first, 0), width - 1)
    right = max(min(first + n_columns, width), left + 1)
    row_values = np.empty(n_columns * n_channels, np.float32)
    steps = np.empty((1 << BLOCK_SHIFT) * n_channels, np.float32)
    for k in range(steps.shape[0]):
        steps[k] = np.float32(k // n_channels)
    w = np.empty(LANCZOS_TAPS, np.float32)
    s = np.empty(LANCZOS_TAPS, np.float32)
    rows = np.empty(LANCZOS_TAPS, np.int64)
    for r in range(r0, r1):
        d0 = m[2, 0] * c0 + m[2, 1] * r + m[2, 2]
        x0 = (m[0, 0] * c0 + m[0, 1] * r + m[0, 2]) / d0
        y0 = (m[1, 0] * c0 + m[1, 1] * r + m[1, 2]) / d0
        d1 = m[2, 0] * c1 + m[2, 1] * r + m[2, 2]
        x1 = (m[0, 0] * c1 + m[0, 1] * r + m[0, 2]) / d1
        y1 = (m[1, 0] * c1 + m[1, 1] * r + m[1, 2]) / d1
        tilt = (y1 - y0) / (x1 - x0)
        length = _run_length(tilt)
        for j in range(left, right, length):
            e = min(j + length, right)
            ya = y0 + tilt * (j - x0)
            yb = y0 + tilt * (e - x0)
            i = _base(ya, yb, e - j)
            _weights_between(lanczos, _phase_row(ya, i), _phase_row(yb, i), e - j, w, s)
            for t in range(LANCZOS_TAPS):
                rows[t] = min(max(i + t - (reach - 1), 0), height - 1)
            n = (e - j) * n_channels
            at = j * n_channels
            to = (j - first) * n_channels
            p, q = flat[rows[0], at : at + n], flat[rows[1], at : at + n]
            u, v = flat[rows[2], at : at + n], flat[rows[3], at : at + n]
            out = row_values[to : to + n]
            for k in range(n):
                out[k] = (
                    (w[0] + steps[k] * s[0]) * np.float32(p[k])
                    + (w[1] + steps[k] * s[1]) * np.float32(q[k])
                    + (w[2] + steps[k] * s[2]) * np.float32(u[k])
                    + (w[3] + steps[k] * s[3]) * np.float32(v[k])
                )
            u = flat[rows[4], at : at + n]
            p, q = flat[rows[5], at : at + n], flat[rows[6], at : at + n]
            z = flat[rows[7], at : at + n]
            for k in range(n):
                a, b = np.float32(v[k]), np.float32(u[k])
                value = out[k] + (
                    (w[4] + steps[k] * s[4]) * b
                    + (w[5] + steps[k] * s[5]) * np.float32(p[k])
                    + (w[6] + steps[k] * s[6]) * np.float32(q[k])
                    + (w[7] + steps[k] * s[7]) * np.float32(z[k])
                )
                low, high = min(a, b), max(a, b)
                spare = slack * (high - low)
                out[k] = min(max(value, low - spare), high + spare)
        for j in range(n_columns):
            here = min(max(j + first, left), right - 1) - first
            for ch in range(n_channels):
                middle[j * n_channels + ch, r - r0] = row_values[here * n_channels + ch]
    for c in range(c0, c1):
        tilt = (_x_at(m, c, r1) - _x_at(m, c, r0)) / (r1 - r0)
        length = _run_length(tilt)
        for r in range(r0, r1, length):
            e = min(r + length, r1)
            xa, xb = _x_at(m, c, r), _x_at(m, c, e)
            j = _base(xa, xb, e - r)
            _weights_between(lanczos, _phase_row(xa, j), _phase_row(xb, j), e - r, w, s)
            slot = min(max(j - (reach - 1) - first, 0), n_columns - LANCZOS_TAPS)
            n, at = e - r, r - r0
            for ch in range(n_channels):
                k0 = slot * n_channels + ch
                p = middle[k0, at : at + n]
                q = middle[k0 + n_channels, at : at + n]
                u = middle[k0 + 2 * n_channels, at : at + n]
                v = middle[k0 + 3 * n_channels, at : at + n]
                out = result[(c - c0) * n_channels + ch, at : at + n]
                for k in range(n):
                    f = np.float32(k)
                    out[k] = (
                        (w[0] + f * s[0]) * p[k]
                        + (w[1] + f * s[1]) * q[k]
                        + (w[2] + f * s[2]) * u[k]
                        + (w[3] + f * s[3]) * v[k]
                    )
                u = middle[k0 + 4 * n_channels, at : at + n]
                p = middle[k0 + 5 * n_channels, at : at + n]
                q = middle[k0 + 6 * n_channels, at : at + n]
                z = middle[k0 + 7 * n_channels, at : at + n]
                for k in range(n):
                    f = np.float32(k)
                    value = out[k] + (
                        (w[4] + f * s[4]) * u[k]
                        + (w[5] + f * s[5]) * p[k]
                        + (w[6] + f * s[6]) * q[k]
                        + (w[7] + f * s[7]) * z[k]
                    )
                    low, high = min(v[k], u[k]), max(v[k], u[k])
                    spare = slack * (high - low)
                    out[k] = min(max(value, low - spare), high + spare)


@jit
def _x_at(m, c, r):
    """Frame column of the master's pixel (r, c)."""
    d = m[2, 0] * c + m[2, 1] * r + m[2, 2]
    return (m[0, 0] * c + m[0, 1] * r + m[0, 2]) / d
