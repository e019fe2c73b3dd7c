"""What to do about a fault, in words that can be acted on at the camera."""

from collections.abc import Sequence

import numpy as np

from stacker.inspection.reading import Reading
from stacker.optics import Lens, blur_disc, continue_focus

__all__ = [
    "add_between",
    "add_beyond",
    "disc_half_way",
    "focus_distances",
    "frames_named",
    "percent",
]

# A list of frames is told in full up to this many.
MOST_NAMED = 40


def percent(share: float) -> str:
    """Write a fraction of 1 in percent, as precisely as it deserves.

    Examples
    --------
    >>> percent(0.256), percent(0.012), percent(0.0004)
    ('26 %', '1.2 %', '0.04 %')
    """
    value = 100 * share
    digits = 0 if value >= 9.95 else 1 if value >= 0.1 else 2
    return f"{value:.{digits}f} %"


def frames_named(numbers: Sequence[int]) -> str:
    """Write frame numbers as a list, runs in short.

    Examples
    --------
    >>> frames_named([3, 4, 5, 9])
    '3-5, 9'
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts = [
        f"{run[0]}-{run[-1]}" if len(run) > 2 else ", ".join(map(str, run))
        for run in runs
    ]
    kept = parts[:MOST_NAMED]
    return ", ".join(kept) + (", ..." if len(parts) > len(kept) else "")


def focus_distances(r: Reading) -> list[float] | None:
    """Focus distances in order of focus; None unless all are known and run one way."""
    known = [r.infos[r.number(k)].focus_distance_mm for k in range(r.n)]
    distances = [d for d in known if d is not None]
    if len(distances) < len(known) or len(distances) < 2:
        return None
    steps = np.diff(distances)
    return distances if (steps > 0).all() or (steps < 0).all() else None


def add_beyond(r: Reading, n_frames: int, *, is_last: bool) -> str:
    """Say how to go on beyond an end of the bracket."""
    number = r.number(r.n - 1 if is_last else 0)
    where = f"beyond frame {number}" if is_last else f"before frame {number}"
    frames = "1 frame" if n_frames == 1 else f"{n_frames} frames"
    distances = focus_distances(r)
    if distances is None:
        return f"Add {frames} {where}, with the same step."
    ordered = distances if is_last else distances[::-1]
    more = continue_focus(ordered, n_frames)
    step = abs(more[0] - ordered[-1])
    if not np.isfinite(step):
        return f"Add a frame {where}, focused at infinity."
    places = ", ".join(
        "infinity" if np.isinf(d) else f"{_length(d, step)} mm" for d in more
    )
    return f"Add {frames} {where}, step {_length(step, step)} mm: focus at {places}."


def add_between(r: Reading, k: int, n_frames: int) -> str:
    """Say how to fill the gap behind the `k`-th frame in order of focus."""
    frames = "1 frame" if n_frames == 1 else f"{n_frames} frames"
    where = f"between frames {r.number(k)} and {r.number(k + 1)}"
    distances = focus_distances(r)
    if distances is None:
        return f"Add {frames} {where}."
    # Even in 1/distance, as steps of equal depth of field are.
    ends = 1 / distances[k], 1 / distances[k + 1]
    places = 1 / np.linspace(*ends, n_frames + 2)[1:-1]
    step = abs(distances[k + 1] - distances[k])
    listed = ", ".join(f"{_length(float(d), step)} mm" for d in places)
    return f"Add {frames} {where}: focus at {listed}."


def disc_half_way(r: Reading, k: int) -> float | None:
    """Blur disc on the sensor, in µm, half-way between frames `k` and `k` + 1.

    From what the files note of the optics; None where they do not.
    """
    distances = focus_distances(r)
    info = r.infos[r.number(k)]
    if distances is None or info.focal_length_mm is None or info.f_number is None:
        return None
    near, far = sorted(distances[k : k + 2])
    if near <= info.focal_length_mm:
        return None
    lens = Lens(focal_length_mm=info.focal_length_mm, f_number=info.f_number)
    # Equal discs from both frames: half-way in 1/distance.
    middle = 2 / (1 / near + 1 / far)
    return 1000 * blur_disc(lens, middle, far)


def _length(value_mm: float, step_mm: float) -> str:
    """Write a distance to a tenth of the step, as a focus scale can be set."""
    digits = int(np.clip(1 - np.floor(np.log10(max(step_mm, 1e-3))), 0, 3))
    return f"{value_mm:.{digits}f}"
