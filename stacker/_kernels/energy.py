"""Sharpness from pixels: squared Laplacian of luma, at half size."""

import numpy as np

from stacker._kernels.runtime import jit

__all__ = ["energy_rows"]

LUMA_RED, LUMA_GREEN, LUMA_BLUE = 0.2126, 0.7152, 0.0722  # ITU-R BT.709-6, 3.2


@jit
def _luma_row(raw, row, scale, out):
    """Luma of one row into ``out[1:-1]``, its end pixels repeated on either side."""
    width = raw.shape[1]
    if raw.shape[2] == 1:
        for c in range(width):
            out[c + 1] = np.float32(raw[row, c, 0]) * scale
    else:
        red = np.float32(LUMA_RED) * scale
        green = np.float32(LUMA_GREEN) * scale
        blue = np.float32(LUMA_BLUE) * scale
        for c in range(width):
            out[c + 1] = (
                red * np.float32(raw[row, c, 0])
                + green * np.float32(raw[row, c, 1])
                + blue * np.float32(raw[row, c, 2])
            )
    out[0] = out[1]
    out[width + 1] = out[width]


@jit
def _squared_laplacian(above, row, below, out):
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
def energy_rows(raw, scale, energy, luma, first, end):
    """Squared Laplacian of luma and luma itself, averaged 2x2, rows `first` to `end`.

    `raw` (H, W, C) integer codes; `scale` turns a code into 0..1; `energy` and `luma`
    (ceil(H/2), ceil(W/2)) float32 are written.
    """
    height, width = raw.shape[0], raw.shape[1]
    rows = np.empty((4, width + 2), np.float32)
    squares = np.empty((2, width), np.float32)
    last = height - 1
    # Two rows are kept from one half-size row to the next: row r lies in rows[r & 3].
    for r in range(2 * first - 1, 2 * first + 1):
        _luma_row(raw, min(max(r, 0), last), scale, rows[r & 3])
    for i in range(first, end):
        top = 2 * i
        for r in range(top + 1, top + 3):
            _luma_row(raw, min(r, last), scale, rows[r & 3])
        light0, light1 = rows[top & 3], rows[(top + 1) & 3]
        _squared_laplacian(rows[(top - 1) & 3], light0, light1, squares[0])
        # An odd last row stands for both: its second row of squares is the first again.
        if top + 1 <= last:
            _squared_laplacian(light0, light1, rows[(top + 2) & 3], squares[1])
            s0, s1 = squares[0], squares[1]
        else:
            s0, s1 = squares[0], squares[0]
        quarter = np.float32(0.25)
        for j in range(width >> 1):
            energy[i, j] = quarter * (
                s0[2 * j] + s0[2 * j + 1] + s1[2 * j] + s1[2 * j + 1]
            )
            luma[i, j] = quarter * (
                light0[2 * j + 1]
                + light0[2 * j + 2]
                + light1[2 * j + 1]
                + light1[2 * j + 2]
            )
        if width & 1:
            half = np.float32(0.5)
            energy[i, width >> 1] = half * (s0[width - 1] + s1[width - 1])
            luma[i, width >> 1] = half * (light0[width] + light1[width])
