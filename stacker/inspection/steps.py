"""Faults along focus: ends that are missing, gaps, steps wasted, order."""

from math import ceil

import numpy as np
import numpy.typing as npt

from stacker.frame import Finding, Severity
from stacker.inspection.advice import (
    add_between,
    add_beyond,
    disc_half_way,
    focus_distances,
    frames_named,
    percent,
)
from stacker.inspection.focus import beyond_the_end
from stacker.inspection.reading import Reading, clusters

__all__ = [
    "finer_than_needed",
    "gaps",
    "missing_ends",
    "not_judged",
    "same_focus",
    "too_wide",
    "wrong_order",
]

# A cell peaks beyond the end when it surely does so by this part of a step: ordinary
# brackets end within it of what must be sharp.
BEYOND_STEPS = 0.25
# Squares of 2.3 and 3.3 standard deviations: DEVELOPERS.md has the false and missed ends.
# Where the lens does not breathe and no distances are noted, lengths of steps are less
# sure.
SURE, SURE_UNGAUGED = 5.5, 11.0
# With fine steps little is lost beyond an end: less of the finest contrast than this is
# no fault.
LEAST_LOSS = 0.12
# So many touching cells make a region, and regions of this share of the picture a fault
# (clean ray-traced brackets: up to 0.6 %). Further off lies what was meant to stay soft.
REGION_CELLS, REGION_SHARE = 3, 0.008
FAR_OFF_STEPS, FAR_OFF_SHARE = 5.0, 0.02
# Limits in steps are for steps over which the finest detail has this width; of finer
# ones several make one of these, as long as so many are left.
ORDINARY_WIDTH, FEWEST_STEPS = 1.8, 6
# Coarser detail is asked too where its curve is narrower than this, in steps.
# It is less sure: a region must be so many times as large.
WIDEST_FOR_ENDS, COARSER_SHARE, COARSER_SHARE_OF_FINE = 3.5, 2, 3
# Half a step beyond the end is as soft as half-way between two frames. What lies beyond
# is judged too far off rather than too near, by this much (ray-traced brackets).
HALF_STEP, BEYOND_BIAS = 0.5, 0.3
# Steps on ray-traced brackets vary by 20 % about the median; a lost frame doubles one.
GAP_STEPS, NO_STEP = 1.5, 0.3
# Sharpness alone cannot tell lengths of steps so fine that it changes little over one.
WIDEST_FOR_STEPS = 3.0
# Contrast of the finest detail lost half-way between two frames, and kept at a whole
# step where every second frame would do.
MOST_LOSS, WASTED_CONTRAST = 0.5, 0.95
# Finest detail is lost within this many steps where only coarser detail shows a width
# (measured: the width about triples from full size to a quarter).
WIDTH_RATIOS = (1.0, 0.6, 0.33)
# A curve takes three frames: narrower ones are found in the cells only where they are wide.
LEAST_WIDTH = 1.0


def missing_ends(r: Reading) -> list[Finding]:
    """Sharpness still rises at the first or the last frame, over a region."""
    if r.width is None or r.n < 3:
        return []
    # Where fine detail is lost already, coarser detail may tell; it is less sure.
    levels = [(r.level, REGION_SHARE)]
    coarser = r.widths[r.level + 1] if r.level + 1 < len(r.widths) else None
    finer = _finer_by(r)
    if coarser is not None and coarser < WIDEST_FOR_ENDS * finer:
        times = COARSER_SHARE if finer == 1 else COARSER_SHARE_OF_FINE
        levels.append((r.level + 1, times * REGION_SHARE))
    found = []
    for is_last in (False, True):
        for level, share in levels:
            finding = _rising(r, level, share, is_last=is_last)
            if finding is not None:
                found.append(finding)
                break
    return found


def _rising(r: Reading, level: int, share: float, *, is_last: bool) -> Finding | None:
    """Tell what is sharpest beyond an end, judged at one scale of detail."""
    finer = _finer_by(r)
    inward = slice(None, None, -1 if is_last else 1)
    energy = r.energy[level].astype(float)[inward]
    likely, at_least = beyond_the_end(
        np.abs(r.z[inward] - r.z[inward][0]) / finer,
        energy,
        r.noise[level].astype(float)[inward],
        (r.widths[level] or 1.0) / finer,
        sure=SURE if r.gauge in ("breathing", "metadata") else SURE_UNGAUGED,
    )
    with np.errstate(invalid="ignore"):
        best = np.where(np.isfinite(energy), energy, -1.0).max(axis=0)
        is_beyond = (energy[0] >= 0.98 * best) & (at_least > BEYOND_STEPS)
        is_far_off = is_beyond & (likely > FAR_OFF_STEPS)
    regions = _regions(is_beyond & ~is_far_off, REGION_CELLS)
    if sum(map(len, regions)) >= share * likely.size:
        cells = np.concatenate(regions)
        # The extremes of a region are the least sure of its cells.
        beyond = finer * float(np.median(likely[cells[:, 0], cells[:, 1]]))
        if _lost(r, beyond) >= LEAST_LOSS:
            return _missing_end(r, regions, beyond, is_last=is_last)
    far_off = _regions(is_far_off, round(FAR_OFF_SHARE * likely.size))
    return _soft_beyond(r, far_off, is_last=is_last) if far_off else None


def _finer_by(r: Reading) -> int:
    """How many steps make one of ordinary length."""
    finer = round((finest_width(r) or 1.0) / ORDINARY_WIDTH)
    return max(1, min(finer, r.n // FEWEST_STEPS))


def _regions(mask: npt.NDArray[np.bool_], fewest: int) -> list[npt.NDArray[np.int64]]:
    return [c for c in clusters(mask) if len(c) >= max(fewest, 1)]


def _share(r: Reading, regions: list[npt.NDArray[np.int64]]) -> str:
    return percent(sum(map(len, regions)) / r.curves.peak.size)


def _end(r: Reading, *, is_last: bool) -> tuple[str, int]:
    """Name an end of the bracket, and the frame there."""
    number = r.number(r.n - 1 if is_last else 0)
    distances = focus_distances(r)
    if distances is None:
        return (
            "end after the last frame" if is_last else "end before the first frame",
            number,
        )
    is_far = (distances[-1] > distances[0]) == is_last
    return "far end" if is_far else "near end", number


def _missing_end(
    r: Reading,
    regions: list[npt.NDArray[np.int64]],
    beyond: float,
    *,
    is_last: bool,
) -> Finding:
    end, number = _end(r, is_last=is_last)
    finer = _finer_by(r)
    n_frames = max(1, ceil(beyond - (HALF_STEP + BEYOND_BIAS) * finer))
    severity: Severity = "reshoot" if beyond > HALF_STEP * finer else "look"
    return Finding(
        code="missing_last_end" if is_last else "missing_first_end",
        message=f"The {end} is missing: sharpness is still rising at frame "
        f"{number} over {_share(r, regions)} of the picture, and would peak about "
        f"{beyond:.1f} steps beyond it.",
        severity=severity,
        frames=(number,),
        region=r.box(regions[0]),
        action=add_beyond(r, n_frames, is_last=is_last),
    )


def _soft_beyond(
    r: Reading, regions: list[npt.NDArray[np.int64]], *, is_last: bool
) -> Finding:
    end, number = _end(r, is_last=is_last)
    return Finding(
        code="soft_beyond_last" if is_last else "soft_beyond_first",
        message=f"Something lies far beyond the {end}, frame {number}, and stays "
        f"soft: {_share(r, regions)} of the picture.",
        severity="note",
        frames=(number,),
        region=r.box(regions[0]),
        action="Nothing, if that is wanted.",
    )


def gaps(r: Reading) -> list[Finding]:
    """One step is much longer than the others: a frame is missing between."""
    found = []
    steps = np.diff(r.z)
    width = finest_width(r)
    for k in np.flatnonzero(steps > GAP_STEPS).tolist() if _is_measured(r) else ():
        step = float(steps[k])
        numbers = (r.number(k), r.number(k + 1))
        middle = (r.z[k] + r.z[k + 1]) / 2
        with np.errstate(invalid="ignore"):
            inside = np.abs(r.curves.peak - middle) < (step - 0.7) / 2
        regions = _regions(inside, REGION_CELLS)
        words = f"The step from frame {numbers[0]} to {numbers[1]} is {step:.1f} times "
        words += "the others"
        disc_um = disc_half_way(r, k)
        if disc_um is not None:
            words += f" (a blur disc of about {disc_um:.0f} µm half-way)"
        if regions and width:
            words += (
                f": half-way between them {percent(_lost(r, step / 2))} of the finest "
                "contrast "
                f"is lost, over {_share(r, regions)} of the picture"
            )
        found.append(
            Finding(
                code="gap",
                message=words + ".",
                severity="reshoot" if regions else "look",
                frames=numbers,
                region=r.box(regions[0]) if regions else None,
                action=add_between(r, k, max(1, round(step) - 1)),
            )
        )
    return found


def _is_measured(r: Reading) -> bool:
    """Tell whether the lengths of single steps are known well enough."""
    if r.gauge == "none" or not r.is_ordered:
        return False  # far neighbours measure steps less well
    return r.gauge != "sharpness" or (r.width or np.inf) < WIDEST_FOR_STEPS


def finest_width(r: Reading) -> float | None:
    """Width of the sharpness curve of the finest detail, in steps."""
    known = [
        (width, ratio)
        for width, ratio in zip(r.widths, WIDTH_RATIOS, strict=True)
        if width
    ]
    for width, ratio in known:
        if width >= LEAST_WIDTH:
            return width * ratio
    return known[-1][0] * known[-1][1] if known else None


def _lost(r: Reading, steps: float) -> float:
    """Part of the finest contrast that is lost so many steps from focus."""
    width = finest_width(r)
    return 1 - 1 / (1 + (steps / width) ** 2) if width else 0.0


def not_judged(r: Reading) -> list[Finding]:
    """Say so where focus cannot be followed through the bracket."""
    if r.width is not None and r.n > 2:
        return []
    return [
        Finding(
            code="not_judged",
            message="Whether the bracket is complete cannot be told: too few frames, or "
            "too little texture that comes into focus in them.",
            severity="note",
            frames=tuple(r.number(k) for k in range(r.n)),
            action="Look at the frames at full size; three frames or more, and light "
            "that brings out the surface, can be judged.",
        )
    ]


def too_wide(r: Reading) -> list[Finding]:
    """All steps are so wide that bands between the frames are soft."""
    lost = _lost(r, 0.5)
    if lost <= MOST_LOSS or r.n < 3:
        return []
    return [
        Finding(
            code="steps_too_wide",
            message="The steps are wide: half-way between two frames "
            f"{percent(lost)} of the finest contrast is lost.",
            severity="look",
            frames=tuple(r.number(k) for k in range(r.n)),
            action="Take steps half as long, or stop down.",
        )
    ]


def finer_than_needed(r: Reading) -> list[Finding]:
    """Every second frame could have been left out."""
    width = r.widths[0]
    if width is None or r.n < 5:
        return []
    kept = 1 / (1 + (1 / width) ** 2)
    if kept <= WASTED_CONTRAST:
        return []
    return [
        Finding(
            code="steps_finer_than_needed",
            message="The steps are finer than needed: with every second frame left out "
            f"no place would lose more than {percent(1 - kept)} of its finest "
            "contrast.",
            severity="note",
            action="Next time take steps twice as long, and save half the time.",
        )
    ]


def same_focus(r: Reading) -> list[Finding]:
    """Two frames show the same focus, or are one frame twice."""
    found = []
    steps = np.diff(r.z)
    for k in range(r.n - 1):
        one, other = (r.facts.frames[r.order[i]] for i in (k, k + 1))
        numbers = (one.number, other.number)
        if np.array_equal(one.luma, other.luma):
            found.append(
                Finding(
                    code="duplicate_frame",
                    message=f"Frames {numbers[0]} and {numbers[1]} are one and the "
                    "same picture.",
                    severity="look",
                    frames=numbers,
                    action="Leave one out, and see that the frame that should have been "
                    "there is not missing.",
                )
            )
        elif _is_measured(r) and steps[k] < NO_STEP:
            found.append(
                Finding(
                    code="same_focus",
                    message=f"Frames {numbers[0]} and {numbers[1]} have the same focus.",
                    severity="look",
                    frames=numbers,
                    action="Leave one out; if the focus drive missed a step, the "
                    "bracket may end one frame early.",
                )
            )
    return found


def wrong_order(r: Reading) -> list[Finding]:
    """Notice frames that were not given in the order of their focus."""
    if r.is_ordered:
        return []
    numbers = tuple(r.number(k) for k in range(r.n))
    times = [r.infos[k].captured for k in numbers]
    by_time = "Rename the files in that order, then check again."
    if None not in times and (times == sorted(times) or times == sorted(times)[::-1]):  # type: ignore[type-var]
        by_time = (
            "Check again with --order captured: the times of capture have it right."
        )
    return [
        Finding(
            code="wrong_order",
            message="The frames are not in the order of their focus, which is "
            f"{frames_named(numbers)}.",
            severity="look",
            frames=numbers,
            action=by_time,
        )
    ]
