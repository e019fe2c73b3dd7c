"""Running peak of sharpness over the frames, and its place to a fraction of a frame."""

import numpy as np

from stacker._kernels.pooling import KEPT_ROWS, pool_row
from stacker._kernels.runtime import jit

__all__ = ["finish_peak_rows", "judge_rows"]

# A frame's merit halves where the squared change of luma per frame is a sixteenth of its
# Laplacian energy (measured: rims of blurred highlights reach 1, textures stay under
# 1/30; on the chrome scene 16 gains 6 dB, on the quality bracket it costs nothing).
DRIFT_DAMPING = 16.0


@jit
def _drift_row(before, after, half, out):
    """Squared change of brightness through focus; 0 where one is not covered."""
    for j in range(out.shape[0]):
        d = half * (after[j] - before[j])
        out[j] = d * d if min(before[j], after[j]) >= 0 else np.float32(0)


@jit
def _merits(energy, drift, merit, total, count):
    """Merit of a frame at each place of a row, -1 where it is not covered."""
    damping = np.float32(DRIFT_DAMPING)
    for j in range(energy.shape[0]):
        e = energy[j]
        ratio = damping * drift[j] / (e + np.float32(1e-12))
        ratio *= ratio
        m = e / (np.float32(1) + ratio * ratio)
        merit[j] = m if e >= 0 else np.float32(-1)
        total[j] += m if e >= 0 else np.float32(0)
        count[j] += np.uint16(1) if e >= 0 else np.uint16(0)


@jit
def judge_rows(
    energy,
    previous,
    following,
    has_following,
    luma_before,
    luma_after,
    is_one_sided,
    taps,
    number,
    best,
    at_best,
    before,
    after,
    total,
    count,
    which,
    first,
    end,
):
    """Take frame `number` into the running peak, rows `first` to `end`.

    `energy` is the frame's, `previous` and `following` those of its neighbours; frame 0
    has none before it. Negative = not covered. `luma_before` and
    `luma_after` are the luma of the two neighbours of the frame, or of the frame itself
    and its only neighbour (`is_one_sided`); `taps` pool, see `pool_row`. The merit of a
    frame is its energy, damped where brightness drifts through it: an edge that is in
    focus looks the same a little in front of and behind the plane of focus, the rim of a
    blurred highlight passes by. `best` holds the largest merit, `which` its frame,
    `at_best`, `before` and `after` the energies of that frame and its neighbours;
    `total` and `count` sum up the merits.
    """
    height, width = energy.shape
    half = np.float32(1.0 if is_one_sided else 0.5)
    kept = np.empty((KEPT_ROWS, width), np.float32)
    down, drift = np.empty(width + 4, np.float32), np.empty(width, np.float32)
    merit = np.empty(width, np.float32)
    ready = max(first - 2, 0)
    for i in range(first, end):
        while ready < min(i + 3, height):
            _drift_row(
                luma_before[ready], luma_after[ready], half, kept[ready % KEPT_ROWS]
            )
            ready += 1
        pool_row(kept, i, height, taps, down, drift)
        _merits(energy[i], drift, merit, total[i], count[i])
        for j in range(width):
            if merit[j] > best[i, j]:
                best[i, j] = merit[j]
                at_best[i, j] = energy[i, j]
                before[i, j] = previous[i, j] if number > 0 else np.float32(-1)
                after[i, j] = following[i, j] if has_following else np.float32(-1)
                which[i, j] = number
            elif number == 1 and has_following and which[i, j] == 0 and merit[j] >= 0:
                # The peak at frame 0 has one neighbour: its free slot takes frame 2.
                before[i, j] = following[i, j]


@jit
def _inverse_root(energy, floor):
    # A twentieth of the floor keeps the root finite at and below the floor.
    tiny = np.float32(0.05) * floor + np.float32(1e-12)
    return np.float32(1) / np.sqrt(max(energy - floor, tiny))


@jit
def finish_peak_rows(
    best,
    at_best,
    before,
    after,
    total,
    count,
    which,
    n_frames,
    floor,
    index,
    height,
    first,
    end,
):
    """Sub-frame place of the peak, and its height above noise, rows `first` to `end`.

    Vertex of the parabola through ``(E - floor) ** -0.5`` of three neighbouring frames
    into `index`; largest merit less their mean, in units of the floor, into `height`.
    The rest is as `judge_rows` leaves it.
    """
    last = np.float32(max(n_frames - 1, 0))
    for i in range(first, end):
        for j in range(at_best.shape[1]):
            k = which[i, j]
            place = np.float32(max(k, 0))
            if before[i, j] >= 0 and after[i, j] >= 0:
                y1 = _inverse_root(at_best[i, j], floor[i, j])
                y0 = _inverse_root(before[i, j], floor[i, j])
                y2 = _inverse_root(after[i, j], floor[i, j])
                if k == 0:
                    y0, y1, y2 = y1, y2, y0
                    place = np.float32(1)
                elif k == n_frames - 1:
                    y0, y1, y2 = y2, y0, y1
                    place = np.float32(k - 1)
                bend = y0 - np.float32(2) * y1 + y2
                if bend > 0:
                    step = np.float32(0.5) * (y0 - y2) / bend
                    place += min(max(step, np.float32(-1)), np.float32(1))
                else:
                    place = np.float32(k)
            index[i, j] = min(max(place, np.float32(0)), last)
            mean = total[i, j] / np.float32(max(count[i, j], 1))
            above = max(best[i, j], np.float32(0)) - mean
            height[i, j] = above / (floor[i, j] + np.float32(1e-12))
