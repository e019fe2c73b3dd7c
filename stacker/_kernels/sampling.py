"""Resampling: Lanczos interpolation of a block in two one-dimensional passes."""

import numpy as np
import numpy.typing as npt

from stacker._kernels.runtime import jit

__all__ = [
    "BLOCK_COLUMNS",
    "BLOCK_ROWS",
    "LANCZOS_TAPS",
    "aim_columns",
    "block_buffer",
    "lanczos_table",
    "resample_row",
    "rows_at_once",
    "turn_weights",
]

# Blocks of so many pixels, even numbers: what one is made from stays in the cache.
BLOCK_ROWS, BLOCK_COLUMNS = 64, 128
# Four lobes: at half a pixel's phase the response at 0.34 c/px is 0.99; three give 0.89.
LANCZOS_TAPS = 8
PHASES_PER_PX = 2048
# The table reaches so far beyond a pixel, so that a run of pixels whose phase drifts
# across a whole number need not be cut in two.
OVERHANG_PX = 1 / 16
# Weights are linear in phase over runs of at most this drift: within 1e-4 of exact.
DRIFT_PX = 1 / 64
# Weights along the rows are the same for rows that drift by no more than this.
STILL_PX = 1 / 2048
LONGEST_RUN = 128
# Taps may lie so far beside a frame.
BESIDE = 2 * LANCZOS_TAPS
# Loops over samples go on to a whole number of so many (a vector register's), on scratch
# that has room for it: what is left over would be done one by one.
VECTOR = 16
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
def _run_length(drift_per_px, allowed_px):
    """Longest power of two of pixels that drift by `allowed_px` at most."""
    n = LONGEST_RUN
    while n > 1 and abs(drift_per_px) * n > allowed_px:
        n >>= 1
    return n


@jit
def _base(a, b, n):
    """Sample that a run of `n` pixels from place `a` to `b` counts its phases from."""
    return int(np.floor(a if n == 1 else 0.5 * (a + b)))


@jit
def _place(m, r, c):
    """Row and column in the frame of the master's pixel (r, c)."""
    d = m[2, 0] * c + m[2, 1] * r + m[2, 2]
    y = (m[1, 0] * c + m[1, 1] * r + m[1, 2]) / d
    return y, (m[0, 0] * c + m[0, 1] * r + m[0, 2]) / d


@jit
def _whole_vectors(n):
    """Return at least `n`: unsigned, so that indices need no check for the sign."""
    return np.uint64((n + VECTOR - 1) // VECTOR * VECTOR)


@jit
def block_buffer(width, n_channels):
    """Scratch for blocks made from a frame `width` pixels wide.

    Returns
    -------
    taps : (2, BLOCK_COLUMNS) int64 array
        Of each column of the block: the first of its taps, in columns of the frame; and
        the end of the run in which each column's taps are one further than those of the
        column before.
    weights : (3, n) float32 array
        By tap, column and channel: weights at the first of some rows, their change per
        row, and weights at the row at work.
    steps : (n,) float32 array
        Pixels from the first, by sample.
    rows : (2, n) float32 array
        A row that is interpolated one way, from `BESIDE` columns left of the frame to as
        many right of it; and a part of one that is both ways.
    """
    n = BLOCK_COLUMNS * n_channels
    steps = np.empty(n + VECTOR, np.float32)
    for k in range(n + VECTOR):
        steps[k] = np.float32(k // n_channels)
    weights = np.zeros((3, LANCZOS_TAPS * n + VECTOR), np.float32)
    longest = max(width + 2 * BESIDE, BLOCK_COLUMNS) * n_channels + VECTOR
    rows = np.zeros((2, longest), np.float32)
    return np.zeros((2, BLOCK_COLUMNS), np.int64), weights, steps, rows


@jit
def rows_at_once(m, r0, r1, c0, c1):
    """Rows of a block over which weights along its rows are linear, and are the same."""
    drift = 0.0
    for c in (c0, c1):
        drift = max(drift, abs(_place(m, r1, c)[1] - _place(m, r0, c)[1]))
    drift /= r1 - r0
    return _run_length(drift, DRIFT_PX), _run_length(drift, STILL_PX)


@jit
def aim_columns(m, width, lanczos, ra, rb, c0, c1, n_channels, taps, weights):
    """Find the taps along master rows `ra` to `rb` at columns `c0` to `c1`.

    `width` is that of the frame; `taps` and `weights` are written, see `block_buffer`.
    """
    n = rb - ra
    for c in range(c1 - c0):
        xa, xb = _place(m, ra, c0 + c)[1], _place(m, rb, c0 + c)[1]
        # Beyond the frame its edge repeats: how far beyond does not matter.
        x = min(max(_base(xa, xb, n), -LANCZOS_TAPS), width + LANCZOS_TAPS)
        taps[0, c] = x - (LANCZOS_TAPS // 2 - 1)
        a, b = _phase_row(xa, x), _phase_row(xb, x)
        for t in range(LANCZOS_TAPS):
            start = lanczos[a, t]
            change = (lanczos[b, t] - start) / np.float32(n)
            at = (t * BLOCK_COLUMNS + c) * n_channels
            for k in range(at, at + n_channels):
                weights[0, k], weights[1, k] = start, change
    last = c1 - c0 - 1
    taps[1, last] = last + 1
    for c in range(last - 1, -1, -1):
        is_next = taps[0, c + 1] == taps[0, c] + 1
        taps[1, c] = taps[1, c + 1] if is_next else c + 1


@jit
def turn_weights(weights, step):
    """Set the weights at work to those `step` rows below the first."""
    start, change, now = weights[0], weights[1], weights[2]
    for k in range(start.shape[0]):
        now[k] = start[k] + np.float32(step) * change[k]


@jit
def resample_row(
    flat,
    n_channels,
    m,
    lanczos,
    r,
    c0,
    c1,
    ca,
    cb,
    taps,
    weights,
    steps,
    rows,
):
    """Values of a frame at columns `ca` to `cb` of row `r` of a block, into ``rows[1]``.

    Along the frame's columns to where the row cuts them, then along the row (Catmull &
    Smith 1980, 3-D transformations of images in scanline order, SIGGRAPH). A projective
    transform takes rows to straight lines, so both find their places exactly.

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
    r, c0, c1, ca, cb
        Row and columns of the block; `ca` and `cb` are counted from its first.
    taps, weights, steps, rows
        As `block_buffer` makes and `aim_columns` fills them.
    """
    height, width = flat.shape[0], flat.shape[1] // n_channels
    samples = flat.reshape(flat.size)
    first = min(taps[0, ca], taps[0, cb - 1])
    end = max(taps[0, ca], taps[0, cb - 1]) + LANCZOS_TAPS
    begin = min(max(first, 0), width - 1)
    stop = max(min(end, width), begin + 1)
    (y0, x0), (y1, x1) = _place(m, r, c0), _place(m, r, c1)
    tilt = (y1 - y0) / (x1 - x0)
    length = _run_length(tilt, DRIFT_PX)
    for x in range(begin, stop, length):
        n = min(length, stop - x)
        ya, yb = y0 + tilt * (x - x0), y0 + tilt * (x + n - x0)
        y = min(max(_base(ya, yb, n), -LANCZOS_TAPS), height + LANCZOS_TAPS)
        _weigh_down(
            samples,
            y - (LANCZOS_TAPS // 2 - 1),
            height,
            x * n_channels,
            width * n_channels,
            lanczos,
            _phase_row(ya, y),
            _phase_row(yb, y),
            np.float32(1 / n),
            steps,
            n * n_channels,
            rows[0],
            np.uint64((x + BESIDE) * n_channels),
        )
    for x in range(first, end if first < begin or stop < end else first):
        if not begin <= x < stop:
            edge = (begin if x < begin else stop - 1) + BESIDE
            for ch in range(n_channels):
                k = (x + BESIDE) * n_channels + ch
                rows[0, k] = rows[0, edge * n_channels + ch]
    c = ca
    while c < cb:
        e = min(taps[1, c], cb)
        _weigh_along(
            rows[0],
            np.uint64((taps[0, c] + BESIDE) * n_channels),
            np.uint64(n_channels),
            weights[2],
            np.uint64(c * n_channels),
            np.uint64(BLOCK_COLUMNS * n_channels),
            _whole_vectors((e - c) * n_channels),
            rows[1],
            np.uint64((c - ca) * n_channels),
        )
        c = e


@jit
def _held(value, u, v):
    """Hold a value no further beyond the samples on either side than `SLACK` allows."""
    low, high = min(u, v), max(u, v)
    spare = np.float32(SLACK) * (high - low)
    return min(max(value, low - spare), high + spare)


@jit
def _weigh_down(
    samples, row, height, at, stride, lanczos, a, b, share, steps, n, out, to
):
    """Weigh `n` samples of eight rows from `row` on; row `a` of the table turns into `b`.

    `share` is that of one pixel in the way.
    """
    last, start = height - 1, np.uint64(at)
    p0 = start + np.uint64(min(max(row, 0), last) * stride)
    p1 = start + np.uint64(min(max(row + 1, 0), last) * stride)
    p2 = start + np.uint64(min(max(row + 2, 0), last) * stride)
    p3 = start + np.uint64(min(max(row + 3, 0), last) * stride)
    p4 = start + np.uint64(min(max(row + 4, 0), last) * stride)
    p5 = start + np.uint64(min(max(row + 5, 0), last) * stride)
    p6 = start + np.uint64(min(max(row + 6, 0), last) * stride)
    p7 = start + np.uint64(min(max(row + 7, 0), last) * stride)
    # The last row of the frame ends where the memory may end.
    end = min(_whole_vectors(n), np.uint64(samples.size) - p7)
    w, e = lanczos[a], lanczos[b]
    w0, w1, w2, w3 = w[0], w[1], w[2], w[3]
    w4, w5, w6, w7 = w[4], w[5], w[6], w[7]
    if a == b:
        for k in range(end):
            u, v = np.float32(samples[p3 + k]), np.float32(samples[p4 + k])
            value = (
                w0 * np.float32(samples[p0 + k]) + w1 * np.float32(samples[p1 + k])
            ) + (w2 * np.float32(samples[p2 + k]) + w3 * u)
            value += (w4 * v + w5 * np.float32(samples[p5 + k])) + (
                w6 * np.float32(samples[p6 + k]) + w7 * np.float32(samples[p7 + k])
            )
            out[to + k] = _held(value, u, v)
        return
    d0, d1, d2, d3 = e[0] - w0, e[1] - w1, e[2] - w2, e[3] - w3
    d4, d5, d6, d7 = e[4] - w4, e[5] - w5, e[6] - w6, e[7] - w7
    for k in range(end):
        f = steps[k] * share
        u, v = np.float32(samples[p3 + k]), np.float32(samples[p4 + k])
        value = (
            (w0 + f * d0) * np.float32(samples[p0 + k])
            + (w1 + f * d1) * np.float32(samples[p1 + k])
        ) + ((w2 + f * d2) * np.float32(samples[p2 + k]) + (w3 + f * d3) * u)
        value += ((w4 + f * d4) * v + (w5 + f * d5) * np.float32(samples[p5 + k])) + (
            (w6 + f * d6) * np.float32(samples[p6 + k])
            + (w7 + f * d7) * np.float32(samples[p7 + k])
        )
        out[to + k] = _held(value, u, v)


@jit
def _weigh_along(row, at, step, weights, w, side, n, out, to):
    """Weigh eight neighbours in a row; `weights` lie `side` samples apart by tap."""
    two = step + step
    four = two + two
    p0, p1, p2, p3 = at, at + step, at + two, at + two + step
    p4, p5, p6, p7 = p0 + four, p1 + four, p2 + four, p3 + four
    two = side + side
    four = two + two
    w0, w1, w2, w3 = w, w + side, w + two, w + two + side
    w4, w5, w6, w7 = w0 + four, w1 + four, w2 + four, w3 + four
    for k in range(n):
        u, v = row[p3 + k], row[p4 + k]
        value = (weights[w0 + k] * row[p0 + k] + weights[w1 + k] * row[p1 + k]) + (
            weights[w2 + k] * row[p2 + k] + weights[w3 + k] * u
        )
        value += (weights[w4 + k] * v + weights[w5 + k] * row[p5 + k]) + (
            weights[w6 + k] * row[p6 + k] + weights[w7 + k] * row[p7 + k]
        )
        out[to + k] = _held(value, u, v)
