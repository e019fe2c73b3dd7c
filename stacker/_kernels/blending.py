"""The picture from frames and their weights."""

import numpy as np

from stacker._kernels.runtime import jit
from stacker._kernels.sampling import (
    BLOCK_COLUMNS,
    BLOCK_ROWS,
    aim_columns,
    block_buffer,
    resample_row,
    rows_at_once,
    turn_weights,
)
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
    straight,
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
    straight
        As `light.straight_parts` makes it of them.
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
        (ceil(h / BLOCK_ROWS), ceil(W / BLOCK_COLUMNS)) uint8, 0 = this frame has no
        weight in the block.
    top
        Row of the picture that is the first of `total`; a multiple of BLOCK_ROWS.
    total
        (h, W * C) float32, added to.
    low, high
        (h, W * C) uint8, range of the frames with positive weight, in 1/255.
    first, end
        Rows of `blocks`.
    """
    width = flat.shape[1] // n_channels
    m = to_frames[number]
    # Pixel of the picture to row and column of `flat`.
    to_flat = m.copy()
    for c in range(3):
        to_flat[1, c] -= first_row * m[2, c]
    half = np.empty((BLOCK_ROWS // 2 + 2, BLOCK_COLUMNS // 2 + 2), np.float32)
    spans = np.empty((2, half.shape[0]), np.int64)
    across = np.empty(BLOCK_COLUMNS, np.float32)
    spread = np.empty(BLOCK_COLUMNS * n_channels, np.float32)
    taps, weights, steps, rows = block_buffer(width, n_channels)
    lines = _lines(straight, n_channels)
    for bi in range(first, end):
        for bj in range(blocks.shape[1]):
            if blocks[bi, bj] == 0:
                continue
            r0, c0 = bi * BLOCK_ROWS, bj * BLOCK_COLUMNS
            r1, c1 = (
                min(r0 + BLOCK_ROWS, total.shape[0]),
                min(c0 + BLOCK_COLUMNS, width),
            )
            if not half_weights(
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
                (top + r0) // 2 - 1,
                c0 // 2 - 1,
                half,
                spans,
            ):
                continue
            group, still = rows_at_once(to_flat, top + r0, top + r1, c0, c1)
            aimed, turned = -1, -1
            for r in range(r1 - r0):
                left, right = _span(spans, r, c1 - c0)
                if left >= right:
                    continue
                if r // group != aimed:
                    aimed, turned = r // group, -1
                    ra = top + r0 + aimed * group
                    aim_columns(
                        to_flat,
                        width,
                        lanczos,
                        ra,
                        ra + group,
                        c0,
                        c1,
                        n_channels,
                        taps,
                        weights,
                    )
                if r // still != turned:
                    turned = r // still
                    turn_weights(weights, turned * still % group + 0.5 * (still - 1))
                resample_row(
                    flat,
                    n_channels,
                    to_flat,
                    lanczos,
                    top + r0 + r,
                    c0,
                    c1,
                    left,
                    right,
                    taps,
                    weights,
                    steps,
                    rows,
                )
                n = (right - left) * n_channels
                values = rows[1, :n]
                _put_on_curve(values, flat.itemsize, curves, straight, lines)
                expand_row(half, r, across)
                _repeat(across[left:right], n_channels, spread)
                at = (c0 + left) * n_channels
                _add_row(
                    values,
                    spread,
                    total[r0 + r, at : at + n],
                    low[r0 + r, at : at + n],
                    high[r0 + r, at : at + n],
                )


@jit
def _span(spans, row, n_columns):
    """Columns of a block, from and to, that have weight in row `row`."""
    i = (row >> 1) + 1
    other = i - 1 if row % 2 == 0 else i + 1
    left, right = min(spans[0, i], spans[0, other]), max(spans[1, i], spans[1, other])
    # Place a of the patch reaches columns 2 a - 3 to 2 a of the block.
    return max(2 * left - 3, 0), min(2 * right - 1, n_columns)


@jit
def _lines(straight, n_channels):
    """Start and rise of each straight part, by sample of a block's row."""
    lines = np.empty((straight.shape[0], 2, BLOCK_COLUMNS * n_channels), np.float32)
    for i in range(straight.shape[0]):
        for k in range(lines.shape[2]):
            ch = k % n_channels
            lines[i, 0, k] = straight[i, 2 + 2 * ch]
            lines[i, 1, k] = straight[i, 3 + 2 * ch]
    return lines


@jit
def _put_on_curve(values, itemsize, curves, straight, lines):
    """Turn codes of a frame into normalised values, in place.

    Along a straight part of the curves where the codes lie within one, otherwise each to
    the value of the nearest 16-bit code.
    """
    n_channels = curves.shape[0]
    to16 = np.float32(257 if itemsize == 1 else 1)
    # Of whole numbers the least is found many at a time, of others one by one.
    low = high = np.int32(values[0] * to16)
    for k in range(values.shape[0]):
        code = np.int32(values[k] * to16)
        low, high = min(low, code), max(high, code)
    for i in range(straight.shape[0]):
        if straight[i, 0] <= low and high < straight[i, 1]:
            start, rise = lines[i, 0], lines[i, 1]
            for k in range(values.shape[0]):
                values[k] = start[k] + rise[k] * (values[k] * to16)
            return
    for c in range(values.shape[0] // n_channels):
        for ch in range(n_channels):
            k = c * n_channels + ch
            values[k] = _on_curve(curves[ch], values[k] * to16)


@jit
def _repeat(values, n, out):
    """Repeat each of some values `n` times."""
    if n == 3:
        for k in range(values.shape[0]):
            out[3 * k] = out[3 * k + 1] = out[3 * k + 2] = values[k]
        return
    for k in range(values.shape[0]):
        for j in range(n):
            out[k * n + j] = values[k]


@jit
def _add_row(values, weights, total, low, high):
    least, most = np.float32(0), np.float32(255)
    for k in range(values.shape[0]):
        total[k] += weights[k] * values[k]
        # Rounded outward: a step of the range is a 255th. Compared as floats, which
        # takes half the time.
        value = values[k] * most
        counts = weights[k] > np.float32(POSITIVE_WEIGHT)
        below = max(value, least) if counts else most
        above = min(value + np.float32(0.999), most) if counts else least
        low[k] = np.uint8(np.int32(min(np.float32(low[k]), below)))
        high[k] = np.uint8(np.int32(max(np.float32(high[k]), above)))


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
def finish_maps_rows(
    number, scale, certainty, owner, depth, confidence, coverage, first, end
):
    """Full-size depth, confidence and coverage, rows `first` to `end`.

    `number` and `certainty` (h, w) float32 at half size are interpolated bilinearly:
    `scale` turns a number into a code of depth; certainty is 0..1; `owner` (h, w) is the
    frame that supplies each place.
    """
    width = depth.shape[1]
    wide = np.empty((3, number.shape[1] + 2), np.float32)
    row = np.empty(2 * number.shape[1], np.float32)
    half = np.float32(0.5)
    for r in range(first, end):
        _expand_edged(number, scale, r, wide, row)
        for c in range(width):
            depth[r, c] = np.uint16(row[c] + half)
        _expand_edged(certainty, np.float32(255), r, wide, row)
        for c in range(width):
            confidence[r, c] = np.uint8(row[c] + half)
            coverage[r, c] = owner[r >> 1, c >> 1]


@jit
def _expand_edged(image, scale, row, wide, out):
    """Full-size row of a half-size map times a factor; beyond the map its edge repeats.

    `wide` (3, w + 2) float32 is written to: rows as `expand_row` takes them.
    """
    last = image.shape[0] - 1
    i = row >> 1
    other = i - 1 if row % 2 == 0 else i + 1
    # Rows 1 and 0 for an even row, 1 and 2 for an odd one.
    beside = 0 if row % 2 == 0 else 2
    for to, k in ((1, i), (beside, min(max(other, 0), last))):
        for j in range(image.shape[1]):
            wide[to, j + 1] = scale * image[k, j]
        wide[to, 0], wide[to, -1] = wide[to, 1], wide[to, -2]
    expand_row(wide, row % 2, out)


@jit
def align_rows(flat, n_channels, m, curves, straight, lanczos, picture, first, end):
    """Resample one frame alone, as `accumulate_rows` does, block rows `first` to `end`.

    `flat` (h, w * C) uint8 or uint16 is the frame or a window of it; `m` takes a pixel of
    `picture` to one of the frame; `curves` and `straight` as there. `picture` (H, W * C)
    uint16 is written; places beyond the frame repeat its edge.
    """
    width, frame_width = picture.shape[1] // n_channels, flat.shape[1] // n_channels
    taps, weights, steps, rows = block_buffer(frame_width, n_channels)
    lines = _lines(straight, n_channels)
    for bi in range(first, end):
        r0, r1 = bi * BLOCK_ROWS, min((bi + 1) * BLOCK_ROWS, picture.shape[0])
        for c0 in range(0, width, BLOCK_COLUMNS):
            c1 = min(c0 + BLOCK_COLUMNS, width)
            group, still = rows_at_once(m, r0, r1, c0, c1)
            for r in range(r0, r1):
                if (r - r0) % group == 0:
                    aim_columns(
                        m,
                        frame_width,
                        lanczos,
                        r,
                        r + group,
                        c0,
                        c1,
                        n_channels,
                        taps,
                        weights,
                    )
                if (r - r0) % still == 0:
                    turn_weights(weights, (r - r0) % group + 0.5 * (still - 1))
                resample_row(
                    flat,
                    n_channels,
                    m,
                    lanczos,
                    r,
                    c0,
                    c1,
                    0,
                    c1 - c0,
                    taps,
                    weights,
                    steps,
                    rows,
                )
                values = rows[1, : (c1 - c0) * n_channels]
                _put_on_curve(values, flat.itemsize, curves, straight, lines)
                row = picture[r, c0 * n_channels : c1 * n_channels]
                for k in range(values.shape[0]):
                    value = min(max(values[k], np.float32(0)), np.float32(1))
                    row[k] = np.uint16(value * np.float32(65535) + np.float32(0.5))
