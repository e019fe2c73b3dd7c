"""Sharpness from pixels: squared Laplacian of luma, at half size."""

import numpy as np

from stacker._kernels.pooling import KEPT_ROWS, pool_row
from stacker._kernels.runtime import jit

__all__ = ["energy_rows", "luma_row", "luma_rows", "squared_laplacian"]

LUMA_RED, LUMA_GREEN, LUMA_BLUE = 0.2126, 0.7152, 0.0722  # ITU-R BT.709-6, 3.2


@jit
def luma_row(samples, n_channels, scale, out):
    """Luma of one row into ``out[1:-1]``, its end pixels repeated on either side."""
    width = samples.shape[0] // n_channels
    if n_channels == 1:
        for c in range(width):
            out[c + 1] = np.float32(samples[c]) * scale
    else:
        red = np.float32(LUMA_RED) * scale
        green = np.float32(LUMA_GREEN) * scale
        blue = np.float32(LUMA_BLUE) * scale
        for c in range(width):
            out[c + 1] = (
                red * np.float32(samples[3 * c])
                + green * np.float32(samples[3 * c + 1])
                + blue * np.float32(samples[3 * c + 2])
            )
    out[0] = out[1]
    out[width + 1] = out[width]


@jit
def luma_rows(flat, n_channels, scale, luma, first, end):
    """Luma at full size, rows `first` to `end` of `luma` (H, W) float32.

    `flat` (H, W * C) integer codes; `scale` turns a code into 0..1.
    """
    wide = np.empty(luma.shape[1] + 2, np.float32)
    for r in range(first, end):
        luma_row(flat[r], n_channels, scale, wide)
        luma[r] = wide[1:-1]


@jit
def squared_laplacian(above, row, below, out):
    for c in range(out.shape[0]):
        lap = (
            above[c + 1]
            + below[c + 1]
            + row[c]
            + row[c + 2]
            - np.float32(4) * row[c + 1]
        )
        out[c] = lap * lap


@jit
def _halved(above, below, out):
    """Mean of 2 x 2 values; the last of an odd number stands for two."""
    quarter = np.float32(0.25)
    for j in range(above.shape[0] >> 1):
        out[j] = quarter * (
            above[2 * j] + above[2 * j + 1] + below[2 * j] + below[2 * j + 1]
        )
    if above.shape[0] & 1:
        last = above.shape[0] - 1
        out[last >> 1] = np.float32(0.5) * (above[last] + below[last])


@jit
def energy_rows(flat, n_channels, scale, taps, energy, luma, first, end):
    """Pooled squared Laplacian of luma and luma itself, half size, rows `first` to `end`.

    `flat` (H, W * C) integer codes; `scale` turns a code into 0..1; `taps` (3,) float32
    pool the energy, as `pool_row` takes them. `energy` and `luma` (ceil(H/2), ceil(W/2))
    float32 are written.
    """
    height, width = flat.shape[0], flat.shape[1] // n_channels
    half_height, half_width = energy.shape
    rows = np.empty((4, width + 2), np.float32)
    squares = np.empty((2, width), np.float32)
    kept = np.empty((KEPT_ROWS, half_width), np.float32)
    down = np.empty(half_width + 4, np.float32)
    last = height - 1
    # Two rows more on either side are pooled.
    begin, stop = max(first - 2, 0), min(end + 2, half_height)
    # Two rows are kept from one half-size row to the next: row r lies in rows[r & 3].
    for r in range(2 * begin - 1, 2 * begin + 1):
        luma_row(flat[min(max(r, 0), last)], n_channels, scale, rows[r & 3])
    for i in range(begin, stop):
        top = 2 * i
        for r in range(top + 1, top + 3):
            luma_row(flat[min(r, last)], n_channels, scale, rows[r & 3])
        light0, light1 = rows[top & 3], rows[(top + 1) & 3]
        squared_laplacian(rows[(top - 1) & 3], light0, light1, squares[0])
        # An odd last row stands for both: its second row of squares is the first again.
        below = squares[0]
        if top + 1 <= last:
            below = squares[1]
            squared_laplacian(light0, light1, rows[(top + 2) & 3], below)
        _halved(squares[0], below, kept[i % KEPT_ROWS])
        if first <= i < end:
            _halved(light0[1:-1], light1[1:-1], luma[i])
        if i - 2 >= first:
            pool_row(kept, i - 2, half_height, taps, down, energy[i - 2])
    for i in range(max(first, stop - 2), end):
        pool_row(kept, i, half_height, taps, down, energy[i])
