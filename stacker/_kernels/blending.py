"""The picture from frames and their weights."""

import numpy as np

from stacker._kernels.runtime import jit
from stacker._kernels.sampling import BLOCK_SHIFT, block_buffer, resample_block
from stacker._kernels.weights import expand_row, half_weights

__all__ = [
    "accumulate_rows",
    "align_rows",
    "finish_maps_rows",
    "finish_picture_rows",
]

TOP_CODE = 65535
# From this weight on a frame counts as a source whose range bounds the result.
POSITIVE_WEIGHT = 0.05


@jit
def _on_curve(curve, code):
    """Value of a curve at a fractional 16-bit code: that of the nearest whole one.

    Half a code off at most, evenly spread: less than any frame's own quantisation.
    """
    nearest = min(max(code, np.float32(0)), np.float32(TOP_CODE)) + np.float32(0.5)
    return curve[np.int32(nearest)]


@jit
def accumulate_rows(
    flat,
    first_row,
    frame_height,
    n_channels,
    to_frames,
    curves,
    lanczos,
    number,
    index,
    fill,
    certainty,
    inverse,
    owner,
    sharp,
    broad,
    specks,
    boxes,
    blocks,
    top,
    total,
    low,
    high,
    first,
    end,
):
    """Add one frame to the picture where it has weight, block rows `first` to `end`.

    Parameters
    ----------
    flat
        (h, W * C) uint8 or uint16, rows of the frame.
    first_row, frame_height
        The first of them, and rows of the whole frame.
    n_channels
        C.
    to_frames
        (n, 3, 3) float64, master pixel to pixel of each frame.
    curves
        (C, 65536) float32, normalised value by 16-bit code.
    lanczos
        As `lanczos_table` makes it.
    number
        The frame's number among the used ones.
    index, fill, certainty, inverse, owner
        Half-size maps: place of the peak, smooth place, 0..1, `weight_sum_rows`.
    sharp, broad
        Weights by distance in frames (`WEIGHT_STEPS` steps a frame).
    specks, boxes
        What is not used, as in `weight_sum_rows`.
    blocks
        (ceil(h/64), ceil(W/64)) uint8, 0 = this frame has no weight in the block.
    top
        Row of the picture that is the first of `total`; a multiple of 64.
    total
        (h, W * C) float32, added to.
    low, high
        (h, W * C) uint8, range of the frames with positive weight, in 1/255.
    first, end
        Rows of `blocks`.
    """
    width = flat.shape[1] // n_channels
    side = 1 << BLOCK_SHIFT
    to16 = np.float32(257 if flat.itemsize == 1 else 1)
    m = to_frames[number]
    # Pixel of the picture to row and column of `flat`.
    to_flat = m.copy()
    for c in range(3):
        to_flat[1, c] -= first_row * m[2, c]
    half = np.empty((side // 2 + 2, side // 2 + 2), np.float32)
    weights = np.empty(side, np.float32)
    spread = np.empty(side * n_channels, np.float32)
    turned = np.empty((side, side * n_channels), np.float32)
    result, middle = block_buffer(n_channels)
    for bi in range(first, end):
        for bj in range(blocks.shape[1]):
            if blocks[bi, bj] == 0:
                continue
            r0, c0 = top + bi * side, bj * side
            r1, c1 = min(r0 + side, top + total.shape[0]), min(c0 + side, width)
            upper, lower, left, right = half_weights(
                m,
                number,
                index,
                fill,
                certainty,
                inverse,
                owner,
                sharp,
                broad,
                frame_height,
                width,
                specks,
                boxes,
                r0 // 2 - 1,
                c0 // 2 - 1,
                half,
            )
            if lower == 0:
                continue
            # Place a of the patch reaches rows 2 a - 3 to 2 a of the block.
            r1 = min(r0 + max(2 * lower - 1, 0), r1)
            c1 = min(c0 + max(2 * right - 1, 0), c1)
            skip_rows, skip_columns = max(2 * upper - 3, 0), max(2 * left - 3, 0)
            if r0 + skip_rows >= r1 or c0 + skip_columns >= c1:
                continue
            top_row, left_column = r0 + skip_rows, c0 + skip_columns
            resample_block(
                flat,
                n_channels,
                to_flat,
                lanczos,
                top_row,
                r1,
                left_column,
                c1,
                result,
                middle,
            )
            n_columns = c1 - left_column
            n = n_columns * n_channels
            for c in range(n_columns):
                for ch in range(n_channels):
                    row, curve = result[c * n_channels + ch], curves[ch]
                    for r in range(r1 - top_row):
                        row[r] = _on_curve(curve, row[r] * to16)
            _transpose(result, turned)
            at = left_column * n_channels
            for r in range(top_row, r1):
                expand_row(half, r - r0, weights)
                for c in range(n_columns):
                    for ch in range(n_channels):
                        spread[c * n_channels + ch] = weights[skip_columns + c]
                _add_row(
                    turned[r - top_row, :n],
                    spread[:n],
                    total[r - top, at : at + n],
                    low[r - top, at : at + n],
                    high[r - top, at : at + n],
                )


@jit
def _transpose(source, out):
    """Turn (n, m) into (m, n), both multiples of 8, tile by tile for the cache."""
    for i in range(0, source.shape[0], 8):
        for j in range(0, source.shape[1], 8):
            for b in range(j, j + 8):
                for a in range(i, i + 8):
                    out[b, a] = source[a, b]


@jit
def _add_row(values, weights, total, low, high):
    scale = np.float32(255)
    for k in range(values.shape[0]):
        total[k] += weights[k] * values[k]
    for k in range(values.shape[0]):
        # Rounded outward: a step of the range is a 255th.
        below = np.int32(values[k] * scale)
        above = np.int32(values[k] * scale + np.float32(0.999))
        counts = weights[k] > np.float32(POSITIVE_WEIGHT)
        low[k] = min(np.int32(low[k]), below if counts else np.int32(255))
        high[k] = max(np.int32(high[k]), min(above, 255) if counts else np.int32(0))


@jit
def finish_picture_rows(total, low, high, picture, first, end):
    """Hold the sums within the range of their sources and write them as 16-bit codes."""
    for r in range(first, end):
        for k in range(total.shape[1]):
            v = total[r, k] * np.float32(255)
            if low[r, k] <= high[r, k]:
                v = max(v, np.float32(low[r, k]))
                v = min(v, np.float32(high[r, k]))
            v = min(max(v, np.float32(0)), np.float32(255))
            picture[r, k] = np.uint16(v * np.float32(257) + np.float32(0.5))


@jit
def finish_maps_rows(code, sure, owner, depth, confidence, coverage, first, end):
    """Full-size depth, confidence and coverage from half-size maps, with a border of 1.

    `code` (h + 2, w + 2) float32 holds depth codes, `sure` confidence 0..255, `owner`
    (h, w) the frame that supplies each place.
    """
    width = depth.shape[1]
    row = np.empty(2 * (code.shape[1] - 2), np.float32)
    for r in range(first, end):
        expand_row(code, r, row)
        for c in range(width):
            depth[r, c] = np.uint16(row[c] + np.float32(0.5))
        expand_row(sure, r, row)
        for c in range(width):
            confidence[r, c] = np.uint8(row[c] + np.float32(0.5))
            coverage[r, c] = owner[r >> 1, c >> 1]


@jit
def align_rows(flat, n_channels, m, curves, lanczos, picture, first, end):
    """Resample one frame alone, as `accumulate_rows` does, block rows `first` to `end`.

    `flat` (h, w * C) uint8 or uint16 is the frame or a window of it; `m` takes a pixel of
    `picture` to one of the frame; `curves` as there. `picture` (H, W * C) uint16 is
    written; places beyond the frame repeat its edge.
    """
    side = 1 << BLOCK_SHIFT
    to16 = np.float32(257 if flat.itemsize == 1 else 1)
    width = picture.shape[1] // n_channels
    result, middle = block_buffer(n_channels)
    turned = np.empty((side, side * n_channels), np.float32)
    for bi in range(first, end):
        for bj in range((width + side - 1) >> BLOCK_SHIFT):
            r0, c0 = bi * side, bj * side
            r1, c1 = min(r0 + side, picture.shape[0]), min(c0 + side, width)
            resample_block(flat, n_channels, m, lanczos, r0, r1, c0, c1, result, middle)
            _transpose(result, turned)
            at = c0 * n_channels
            for r in range(r1 - r0):
                row = picture[r0 + r, at : at + (c1 - c0) * n_channels]
                for c in range(c1 - c0):
                    for ch in range(n_channels):
                        k = c * n_channels + ch
                        value = _on_curve(curves[ch], turned[r, k] * to16)
                        value = min(max(value, np.float32(0)), np.float32(1))
                        row[k] = np.uint16(value * np.float32(65535) + np.float32(0.5))
