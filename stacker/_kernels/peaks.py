"""Running peak of sharpness over the frames, and its place to a fraction of a frame."""

import numpy as np

from stacker._kernels.runtime import jit

__all__ = ["drift_rows", "finish_peak_rows", "update_peak_rows"]

# A frame's merit halves where the squared change of luma per frame is a sixteenth of its
# Laplacian energy (measured: rims of blurred highlights reach 1, textures stay under
# 1/30; on the chrome scene 16 gains 6 dB, on the quality bracket it costs nothing).
DRIFT_DAMPING = 16.0


@jit
def drift_rows(before, after, one_sided, drift, first, end):
    """Squared change of brightness through focus into `drift`, rows `first` to `end`.

    `before` and `after` are the luma of the two neighbours of a frame, or of the frame
    itself and its only neighbour (`one_sided`). Negative luma = not covered.
    """
    half = np.float32(1.0 if one_sided else 0.5)
    for i in range(first, end):
        for j in range(before.shape[1]):
            d = np.float32(0)
            if before[i, j] >= 0 and after[i, j] >= 0:
                d = half * (after[i, j] - before[i, j])
            drift[i, j] = d * d


@jit
def update_peak_rows(
    energy,
    previous,
    following,
    drift,
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

    `energy` is the frame's, `previous` and `following` those of its neighbours; negative
    = not covered. The merit of a frame is its energy, damped where brightness drifts
    through it (`drift`): an edge that is in focus looks the same a little in front of
    and behind the plane of focus, the rim of a blurred highlight passes by. `best` holds
    the largest merit, `which` its frame, `at_best`, `before` and `after` the energies of
    that frame and its neighbours; `total` and `count` sum up the merits.
    """
    for i in range(first, end):
        for j in range(energy.shape[1]):
            e = energy[i, j]
            if e < 0:
                continue
            ratio = np.float32(DRIFT_DAMPING) * drift[i, j] / (e + np.float32(1e-12))
            ratio *= ratio
            merit = e / (np.float32(1) + ratio * ratio)
            total[i, j] += merit
            count[i, j] += 1
            if merit > best[i, j]:
                best[i, j] = merit
                at_best[i, j] = e
                before[i, j] = previous[i, j]
                after[i, j] = following[i, j]
                which[i, j] = number
            elif number == 1 and which[i, j] == 0:
                # The peak at frame 0 has one neighbour: its free slot takes frame 2.
                before[i, j] = following[i, j]


@jit
def _inverse_root(energy, floor):
    # A twentieth of the floor keeps the root finite at and below the floor.
    tiny = np.float32(0.05) * floor + np.float32(1e-12)
    return np.float32(1) / np.sqrt(max(energy - floor, tiny))


@jit
def finish_peak_rows(at_best, before, after, which, n_frames, floor, index, first, end):
    """Sub-frame place of the peak into `index`, rows `first` to `end`.

    Vertex of the parabola through ``(E - floor) ** -0.5`` of three neighbouring frames.
    """
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
            index[i, j] = place
