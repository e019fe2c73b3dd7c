"""Faults in the picture itself: something moved, nothing to judge by."""

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.frame import Finding
from stacker.geometry import at_level
from stacker.inspection.advice import frames_named, percent
from stacker.inspection.reading import Reading, box_of_cells, clusters

__all__ = ["flat_areas", "moved_things"]

F64 = npt.NDArray[np.float64]

# Light is followed in cells of a grid this many across: large against defocus of
# neighbouring frames, small against things.
LIGHT_COLUMNS = 96
# Frames on either side that say how the light of a cell runs.
WINDOW_FRAMES, FEWEST_FRAMES = 9, 7
# What passes for no change: a relative error of light, and a change worth a word.
LIGHT_ERROR, VISIBLE_CHANGE = 0.004, 0.02
# A cell changed at this value of Student's t, by frames more than terms: all are as rare
# as 6 is at five. On clean ray-traced brackets of an unsteady
# camera up to eight such cells touch in one frame, up to five where the change stays; a
# thing that moved by 4 px makes fifteen.
CHANGED_T = {3: 9.3, 4: 7.2, 5: 6.0}
CHANGED_CELLS_ONCE, CHANGED_CELLS = 10, 8
RIM_CELLS = 2
# A frame that is elsewhere over so much of the picture shows something else.
OTHER_PICTURE_SHARE = 0.25
# Frames needed on either side: light of a cell cannot be foretold far.
BESIDE_FRAMES, STAYS_FRAMES = 2, 3
# Share of the picture that is too flat to be judged before it is worth a word.
FLAT_SHARE = 0.02


def _light(r: Reading) -> F64:
    """Logarithm of light by frame, in order of focus, and cell; NaN where not known."""
    shape = r.facts.shape
    grid = (max(1, round(LIGHT_COLUMNS * shape[0] / shape[1])), LIGHT_COLUMNS)
    frames = [r.facts.frames[k] for k in r.order]
    small = frames[0].light.shape[:2]
    grid = (min(grid[0], small[0]), min(grid[1], small[1]))
    out = []
    for frame in frames:
        back = np.asarray(np.linalg.inv(frame.to_first), np.float64)
        to_frame = at_level(back, shape, small)
        mean_of_channels = 1 / (frame.gain * len(frame.gain))
        plane = _opencv.weighted_sum(frame.light, mean_of_channels)
        light = _opencv.warp_linear(plane, to_frame, small, outside=-1.0)
        clipped = _opencv.warp_linear(frame.clipped, to_frame, small, outside=1.0)
        lost = ((light < 0) | (clipped > 0)).astype(np.float32)
        unknown = _opencv.area_reduce(lost, grid) > 0.2
        cells = _opencv.area_reduce(np.maximum(light, 0), grid).astype(float)
        cells[unknown | (cells <= 0)] = np.nan
        # Frames do not all see the outermost cells whole.
        cells[[0, -1]], cells[:, [0, -1]] = np.nan, np.nan
        out.append(cells)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.log(np.stack(out)))


def _student(values: F64, basis: F64) -> tuple[F64, F64]:
    """Coefficient of the last column of a linear fit; its Student's t over the limit."""
    inverse = np.linalg.inv(basis.T @ basis)
    terms = np.einsum("ij,jm,mrc->irc", inverse, basis.T, values)
    rest = values - np.einsum("mi,irc->mrc", basis, terms)
    free = len(values) - basis.shape[1]
    deviation = np.sqrt((rest**2).sum(axis=0) / free)
    error = np.hypot(deviation, LIGHT_ERROR) * np.sqrt(inverse[-1, -1])
    limit = CHANGED_T[min(free, max(CHANGED_T))]
    return terms[-1], terms[-1] / error / limit


def _window(k: int, n: int) -> slice:
    first = int(np.clip(k - WINDOW_FRAMES // 2, 0, max(0, n - WINDOW_FRAMES)))
    return slice(first, min(n, first + WINDOW_FRAMES))


def _changed(change: F64, sure: F64, fewest: int) -> list[npt.NDArray[np.int64]]:
    with np.errstate(invalid="ignore"):
        mask = (np.abs(sure) > 1) & (np.abs(change) > VISIBLE_CHANGE)
    return [c for c in clusters(mask) if len(c) >= fewest and not _is_line(c)]


def _is_line(cells: npt.NDArray[np.int64]) -> bool:
    """Tell the rim of something, where a frame is registered less well, from a thing."""
    return bool((np.ptp(cells, axis=0) + 1).min() <= RIM_CELLS)


def moved_things(r: Reading) -> list[Finding]:
    """Find places whose light changed at one frame, for good or for that frame alone."""
    n = r.n
    if n < FEWEST_FRAMES or not r.is_ordered:
        return []  # far neighbours are registered less well
    light = _light(r)
    grid = (light.shape[1], light.shape[2])
    events: list[tuple[int, bool, list[npt.NDArray[np.int64]]]] = []
    for k in range(n):
        window = _window(k, n)
        t = np.arange(window.start, window.stop, dtype=float) - k
        smooth = [np.ones_like(t), t, t * t]
        if BESIDE_FRAMES <= k < n - BESIDE_FRAMES:
            alone = np.stack([*smooth, (t == 0).astype(float)], axis=1)
            places = _changed(*_student(light[window], alone), CHANGED_CELLS_ONCE)
            events.append((k, False, places))
        if STAYS_FRAMES <= k <= n - STAYS_FRAMES:
            for_good = np.stack([*smooth[:2], (t >= 0).astype(float)], axis=1)
            places = _changed(*_student(light[window], for_good), CHANGED_CELLS)
            events.append((k, True, places))
    return [
        _moved(r, k, places, grid, is_for_good=is_for_good)
        for k, is_for_good, places in _strongest(events)
    ]


def _moved(
    r: Reading,
    k: int,
    places: list[npt.NDArray[np.int64]],
    grid: tuple[int, int],
    *,
    is_for_good: bool,
) -> Finding:
    """Tell what moved at the `k`-th frame in order of focus."""
    number = r.number(k)
    share = sum(map(len, places)) / (grid[0] * grid[1])
    if share > OTHER_PICTURE_SHARE and not is_for_good:
        return Finding(
            code="other_picture",
            message=f"Frame {number} shows something else than the others over "
            f"{percent(share)} of the picture.",
            severity="look",
            frames=(number,),
            region=box_of_cells(places[0], grid, r.facts),
            action="Take it out; shoot it again if its focus is missing now.",
        )
    last = r.n if is_for_good else k + 1
    beside = [r.number(j) for j in range(max(0, k - 1), min(r.n, k + 2))]
    words = (
        f"Something in the picture moved before frame {number} and stayed so"
        if is_for_good
        else f"Something in the picture is elsewhere in frame {number} alone"
    )
    return Finding(
        code="thing_moved",
        message=f"{words} ({percent(share)} of the picture).",
        severity="look",
        frames=tuple(r.number(j) for j in range(k, last)),
        region=box_of_cells(places[0], grid, r.facts),
        action=f"Look at this place in frames {frames_named(beside)}; shoot "
        f"{'from there on' if is_for_good else 'that frame'} again.",
    )


def _strongest(
    events: list[tuple[int, bool, list[npt.NDArray[np.int64]]]],
) -> list[tuple[int, bool, list[npt.NDArray[np.int64]]]]:
    """Leave of events that overlap in time the one that shows in most cells.

    One movement shows, weaker, in the windows of the frames beside it too.
    """
    waiting = sorted((e for e in events if e[2]), key=lambda e: -sum(map(len, e[2])))
    kept: list[tuple[int, bool, list[npt.NDArray[np.int64]]]] = []
    for event in waiting:
        if all(abs(event[0] - other[0]) > WINDOW_FRAMES // 2 for other in kept):
            kept.append(event)
    return sorted(kept, key=lambda e: e[0])


def flat_areas(r: Reading) -> list[Finding]:
    """Name areas without texture in any frame, where focus cannot be judged."""
    energy = r.energy
    seen = np.isfinite(energy).any(axis=(0, 1))
    signal = np.where(np.isfinite(energy), energy, 0.0).max(axis=1)
    # As long as no scale shows more than noise does there is nothing to judge.
    flat = seen & (signal < 2 * r.noise.max(axis=1)).all(axis=0)
    share = float(flat.mean())
    if share < FLAT_SHARE:
        return []
    largest = clusters(flat)[0]
    return [
        Finding(
            code="flat_area",
            message=f"{percent(share)} of the picture has no texture in any frame: "
            "whether it is in focus cannot be judged there.",
            severity="note",
            region=r.box(largest),
            action="Nothing, if these places are plain; otherwise more light.",
        )
    ]
