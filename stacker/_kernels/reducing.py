"""Small pictures from large ones, and how much detail samples of a picture show."""

import numpy as np

from stacker._kernels.energy import luma_row, squared_laplacian
from stacker._kernels.runtime import jit

__all__ = ["area_mean_rows", "glance_rows", "tile_detail"]


@jit
def area_mean_rows(image, out, first, end):
    """Means over equal areas, rows `first` to `end` of `out` (h, w) float32.

    `image` (H, W) float32, at least as large each way. Pixels that a border of two areas
    cuts count for both, by their parts.
    """
    height, width = image.shape
    down, across = height / out.shape[0], width / out.shape[1]
    total = np.empty(width, np.float32)
    scale = np.float32(1 / (down * across))
    for i in range(first, end):
        top, bottom = i * down, (i + 1) * down
        total[:] = 0
        for r in range(int(top), min(int(np.ceil(bottom)), height)):
            share = np.float32(min(r + 1, bottom) - max(r, top))
            row = image[r]
            for c in range(width):
                total[c] += share * row[c]
        for j in range(out.shape[1]):
            left, right = j * across, (j + 1) * across
            a, b = int(left), min(int(np.ceil(right)), width) - 1
            mean = np.float32(0)
            for c in range(a, b + 1):
                mean += total[c]
            mean -= np.float32(left - a) * total[a]
            mean -= np.float32(max(b + 1 - right, 0.0)) * total[b]
            out[i, j] = scale * mean


@jit
def glance_rows(flat, n_channels, out, first, end):
    """Mean of four samples of every area of a picture, in eight bits.

    `flat` (H, W * C) uint8 or uint16; `out` (h, w * C) uint8 is written from row `first`
    to `end`; an area is two pixels wide and high at least.
    """
    height, width = flat.shape[0], flat.shape[1] // n_channels
    columns = out.shape[1] // n_channels
    down, across = height / (2 * out.shape[0]), width / (2 * columns)
    # Codes of 16 bits to those of eight, of four samples at once.
    parts = np.int32(4 if flat.itemsize == 1 else 4 * 257)
    for i in range(first, end):
        above = flat[int((2 * i + 0.5) * down)]
        below = flat[int((2 * i + 1.5) * down)]
        for j in range(columns):
            a = int((2 * j + 0.5) * across) * n_channels
            b = int((2 * j + 1.5) * across) * n_channels
            for ch in range(n_channels):
                total = np.int32(above[a + ch]) + np.int32(above[b + ch])
                total += np.int32(below[a + ch]) + np.int32(below[b + ch])
                out[i, j * n_channels + ch] = total // parts


@jit
def tile_detail(flat, n_channels, scale, rows, columns, height, width, out):
    """Mean squared Laplacian of luma in tiles, row by row into `out` (n,) float32.

    `flat` (H, W * C) integer codes, `scale` turns one into 0..1; `rows` and `columns` are
    where tiles of `height` x `width` begin.
    """
    luma = np.empty((3, width + 2), np.float32)
    squares = np.empty(width, np.float32)
    at = 0
    for top in rows:
        for left in columns:
            first, end = left * n_channels, (left + width) * n_channels
            total = np.float32(0)
            for r in range(height):
                luma_row(flat[top + r, first:end], n_channels, scale, luma[r % 3])
                if r < 2:
                    continue
                above, row, below = luma[(r - 2) % 3], luma[(r - 1) % 3], luma[r % 3]
                squared_laplacian(above, row, below, squares)
                for c in range(1, width - 1):
                    total += squares[c]
            n = max(height - 2, 0) * max(width - 2, 0)
            out[at] = total / np.float32(n) if n else np.float32(0)
            at += 1
