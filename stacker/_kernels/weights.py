"""Weights of the frames: how much each counts at each place, and where it counts at all."""

import numpy as np

from stacker._kernels.runtime import jit
from stacker._kernels.sampling import BLOCK_COLUMNS, BLOCK_ROWS

__all__ = [
    "WEIGHT_STEPS",
    "at_place",
    "block_reach_rows",
    "covers",
    "expand_row",
    "half_weights",
    "is_in_box",
    "is_on_speck",
    "share_rows",
    "step_of",
    "weight_at",
]

# Weight tables: steps per frame of distance, fine enough to take the nearest.
WEIGHT_STEPS = 512
# The leading frame lies within half a frame of the depth, and a little: maps are
# interpolated.
LED_WITHIN = np.float32(0.55)


@jit
def at_place(table, number, place):
    """Weight of a frame by its distance from a place, 0 beyond the table's end.

    The place is rounded, not the distance: what all frames have at a place then depends
    on that one number, and `_sums_by_place` knows their sum.
    """
    k = abs(number * WEIGHT_STEPS - step_of(place))
    return table[k] if k < table.shape[0] else np.float32(0)


@jit
def step_of(place):
    return np.int32(place * np.float32(WEIGHT_STEPS) + np.float32(0.5))


@jit
def weight_at(number, index, fill, certainty, sharp, broad):
    """Weigh frame `number` at one place.

    Focal interpolation where the depth is certain, a broad mean round the filled depth
    where it is not.
    """
    w = certainty * at_place(sharp, number, index)
    if certainty < 1:
        w += (np.float32(1) - certainty) * at_place(broad, number, fill)
    return w


@jit
def covers(m, row, col, height, width):
    """Whether a frame reaches the half-size place (row, col) of the master."""
    x, y = 2.0 * col + 0.5, 2.0 * row + 0.5
    d = m[2, 0] * x + m[2, 1] * y + m[2, 2]
    xf = (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / d
    yf = (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / d
    return -0.5 <= xf <= width - 0.5 and -0.5 <= yf <= height - 0.5


@jit
def is_in_box(number, row, col, boxes):
    """Whether frame `number` shows something that moved at (row, col)."""
    for k in range(boxes.shape[0]):
        if (
            boxes[k, 0] == number
            and boxes[k, 1] <= row < boxes[k, 2]
            and boxes[k, 3] <= col < boxes[k, 4]
        ):
            return True
    return False


@jit
def is_on_speck(m, row, col, specks):
    """Whether a frame has dust at the half-size place (row, col) of the master."""
    if specks.shape[0] == 0:
        return False
    x, y = 2.0 * col + 0.5, 2.0 * row + 0.5
    d = m[2, 0] * x + m[2, 1] * y + m[2, 2]
    xf = (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / d
    yf = (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / d
    for k in range(specks.shape[0]):
        dx, dy, radius = xf - specks[k, 0], yf - specks[k, 1], specks[k, 2]
        if dx * dx + dy * dy < radius * radius:
            return True
    return False


@jit
def block_reach_rows(
    index,
    fill,
    certainty,
    inverse,
    owner,
    sharp_reach,
    broad_reach,
    low,
    high,
    first,
    end,
):
    """Frames that can have weight in each block, block rows `first` to `end`.

    ``low < number < high`` (h', w') float32 are written; a block has one place of the
    half-size maps more on every side.
    """
    rows, columns = BLOCK_ROWS // 2, BLOCK_COLUMNS // 2
    for bi in range(first, end):
        i0, i1 = max(bi * rows - 1, 0), min((bi + 1) * rows + 1, index.shape[0])
        for bj in range(low.shape[1]):
            j0 = max(bj * columns - 1, 0)
            j1 = min((bj + 1) * columns + 1, index.shape[1])
            least, most = np.float32(np.inf), np.float32(-np.inf)
            for i in range(i0, i1):
                for j in range(j0, j1):
                    if inverse[i, j] == 0:
                        least = min(least, np.float32(owner[i, j] - 1))
                        most = max(most, np.float32(owner[i, j] + 1))
                        continue
                    if certainty[i, j] > 0:
                        least = min(least, index[i, j] - sharp_reach)
                        most = max(most, index[i, j] + sharp_reach)
                    if certainty[i, j] < 1:
                        least = min(least, fill[i, j] - broad_reach)
                        most = max(most, fill[i, j] + broad_reach)
            low[bi, bj] = least
            high[bi, bj] = most


@jit
def half_weights(
    m,
    number,
    index,
    fill,
    certainty,
    inverse,
    owner,
    sharp,
    broad,
    height,
    width,
    specks,
    boxes,
    i0,
    j0,
    out,
    spans,
):
    """Weights of one frame on a patch of the half-size grid; whether there are any.

    Row 0 of `out` is row `i0` of the grid; beyond the grid its edge repeats. `spans`
    (2, n) int64 is written: in each row, the first place that has weight, and the one
    after the last.
    """
    # A projective transform keeps a patch convex: its corners speak for it.
    sure_cover = specks.shape[0] == 0 and boxes.shape[0] == 0
    for i in (i0, i0 + out.shape[0] - 1):
        for j in (j0, j0 + out.shape[1] - 1):
            sure_cover = sure_cover and covers(m, i, j, height, width)
    has_any = False
    b0, b1 = max(-j0, 0), min(index.shape[1] - j0, out.shape[1])
    for a in range(out.shape[0]):
        i = min(max(i0 + a, 0), index.shape[0] - 1)
        row = out[a, b0:b1]
        _row_of_weights(
            number,
            index[i, j0 + b0 : j0 + b1],
            fill[i, j0 + b0 : j0 + b1],
            certainty[i, j0 + b0 : j0 + b1],
            inverse[i, j0 + b0 : j0 + b1],
            owner[i, j0 + b0 : j0 + b1],
            sharp,
            broad,
            row,
        )
        if not sure_cover:
            for b in range(b1 - b0):
                j = j0 + b0 + b
                scale = inverse[i, j]
                if row[b] == 0 or scale == 0:
                    continue
                if (
                    not covers(m, i, j, height, width)
                    or is_in_box(number, i, j, boxes)
                    or (scale > 0 and is_on_speck(m, i, j, specks))
                ):
                    row[b] = 0
        out[a, :b0], out[a, b1:] = row[0], row[b1 - b0 - 1]
        left, right = 0, out.shape[1]
        while left < right and out[a, left] == 0:
            left += 1
        while right > left and out[a, right - 1] == 0:
            right -= 1
        # Where there is none the span must not widen that of the row beside.
        spans[0, a], spans[1, a] = (left, right) if left < right else (out.shape[1], 0)
        has_any = has_any or left < right
    return has_any


@jit
def _row_of_weights(number, index, fill, certainty, inverse, owner, sharp, broad, out):
    """Weights of frame `number` at places that it covers; no branches, for speed."""
    n = np.int32(number * WEIGHT_STEPS)
    # Both tables end at 0.
    last, last_broad = np.int32(sharp.shape[0] - 1), np.int32(broad.shape[0] - 1)
    for b in range(out.shape[0]):
        near = min(abs(n - step_of(index[b])), last)
        far = min(abs(n - step_of(fill[b])), last_broad)
        sure, scale = certainty[b], inverse[b]
        w = sure * sharp[near] + (np.float32(1) - sure) * broad[far]
        alone = np.float32(1) if owner[b] == number else np.float32(0)
        out[b] = alone if scale == 0 else abs(scale) * w


@jit
def expand_row(half, row, out):
    """Full-size row `row`, bilinear, of a half-size patch with one place of margin."""
    near, far = np.float32(0.75), np.float32(0.25)
    i = (row >> 1) + 1
    other = i - 1 if row % 2 == 0 else i + 1
    a, b = half[i], half[other]
    for j in range(out.shape[0] >> 1):
        left = near * a[j] + far * b[j]
        middle = near * a[j + 1] + far * b[j + 1]
        right = near * a[j + 2] + far * b[j + 2]
        out[2 * j] = far * left + near * middle
        out[2 * j + 1] = near * middle + far * right


@jit
def share_rows(
    depth,
    confidence,
    coverage,
    places,
    ordinals,
    ordinal,
    sharp,
    broad,
    share,
    first,
    end,
):
    """Share of one frame among all with positive weight, rows `first` to `end`.

    `depth` (H, W) uint16, `confidence` (H, W) uint8 and `coverage` (H, W) are maps as
    written to files; `places` (65536,) float32 turns a depth code, and `ordinals` (n,)
    int64 a number of `coverage`, into one among the used frames. `share` (H, W) float32
    is written.
    """
    reach = max(sharp.shape[0], broad.shape[0]) // WEIGHT_STEPS + 1
    none = np.float32(0)
    n_used = ordinals.max() + 1
    for r in range(first, end):
        for c in range(depth.shape[1]):
            place = places[depth[r, c]]
            sure = np.float32(confidence[r, c]) * np.float32(1 / 255)
            led = np.float32(ordinals[coverage[r, c]])
            if abs(place - led) > LED_WITHIN:
                # The file's depth was moved to an edge of the picture after the fusion.
                place, sure = led, np.float32(1)
            own = max(weight_at(ordinal, place, place, sure, sharp, broad), none)
            if own == none:
                share[r, c] = none
                continue
            total = none
            middle = int(place)
            for k in range(max(middle - reach, 0), min(middle + reach + 2, n_used)):
                total += max(weight_at(k, place, place, sure, sharp, broad), none)
            share[r, c] = own / total
