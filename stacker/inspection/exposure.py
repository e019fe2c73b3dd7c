"""Faults of light: a flash that misfired or drifts, its colour, highlights cut off."""

import numpy as np
import numpy.typing as npt

from stacker.frame import Finding
from stacker.geometry import field_scale
from stacker.inspection.advice import frames_named, percent
from stacker.inspection.reading import Reading

__all__ = [
    "clipped_highlights",
    "colour_of_frames",
    "colour_shifts",
    "exposure_of_frames",
    "flash_drift",
    "flash_misfires",
    "flash_varies",
]

F64 = npt.NDArray[np.float64]

# Good flash varies by 1 to 2 % (common practice). At 2 % one bracket of 9 to 14 frames
# in 500, of 60 in 160, has a frame further than this from the rest (simulated), in stops.
MISFIRE_EV, RUINED_EV = 0.112, 0.5
# Above this spread the flash itself is at fault, and frames are judged against it.
UNSTEADY_EV, UNSTEADY_SIGMAS = 0.06, 4.0
# At 2 % no bracket in 3000 seems to drift by this much from end to end (simulated).
DRIFT_EV, EXTENSION_MATCH_EV = 0.15, 0.1
# Stops of one channel against the mean of all: 100 K at 5500 K is about 0.03.
COLOUR_EV, COLOUR_SIGMAS = 0.06, 5.0
# Samples at full scale for each just below it: with a roll-off at most 2 on ray-traced
# brackets (15 where they have 8 bits), 28 to 250 where the curve is cut off.
CUT_OFF_RATIO, CUT_OFF_FRAMES = 20.0, 1 / 3
CLIPPED_NOTE, CLIPPED_LOOK = 3e-5, 5e-4
GROWN_BY, GROWN_TIMES = 2e-3, 1.5


def exposure_of_frames(r: Reading) -> F64:
    """Measure stops of every frame against the median of all, in the order given."""
    gains = np.array([f.gain.mean() for f in r.facts.frames])
    stops = np.log2(np.maximum(gains, 1e-6))
    return np.asarray(stops - np.median(stops))


def colour_of_frames(r: Reading) -> F64:
    """Measure colour of the light of every frame, (n, C), in the order given.

    Stops of each channel against the mean of all, and against the median of all frames.
    """
    gains = np.array([f.gain for f in r.facts.frames])
    stops = np.log2(np.maximum(gains, 1e-6))
    tint = stops - stops.mean(axis=1, keepdims=True)
    return np.asarray(tint - np.median(tint, axis=0))


def _line(stops: F64) -> tuple[float, F64]:
    """Change from end to end and what is left, by the median of slopes.

    Of the slopes with each frame left out in turn it is the flattest: of a few frames
    one at an end would draw the line to itself.

    References
    ----------
    Sen, P. K. (1968), Estimates of the regression coefficient based on Kendall's tau,
    J. Am. Stat. Assoc. 63, 1379-1389.
    """
    n = len(stops)
    i, j = np.triu_indices(n, 1)
    slopes = (stops[j] - stops[i]) / (j - i)
    without = [float(np.median(slopes[(i != k) & (j != k)])) for k in range(n)]
    slope = min(without, key=abs)
    rest = stops - slope * np.arange(n)
    return slope * (n - 1), rest - np.median(rest)


def _spread(rest: F64) -> float:
    return 1.4826 * float(np.median(np.abs(rest)))


def _numbers(r: Reading) -> list[int]:
    return [f.number for f in r.facts.frames]


def flash_misfires(r: Reading) -> list[Finding]:
    """One frame got more or less light than the others."""
    if r.n < 3:
        return []
    stops = exposure_of_frames(r)
    drift, rest = _line(stops)
    if abs(drift) <= DRIFT_EV:  # a line through frames without a drift only adds error
        rest = stops
    spread = _spread(rest)
    limit = UNSTEADY_SIGMAS * spread if spread > UNSTEADY_EV else MISFIRE_EV
    found = []
    for number, stops in zip(_numbers(r), rest, strict=True):
        if abs(stops) <= limit:
            continue
        ruined = abs(stops) > RUINED_EV
        found.append(
            Finding(
                code="flash_misfire",
                message=f"Frame {number} is {abs(stops):.2f} EV "
                f"{'darker' if stops < 0 else 'brighter'} than the others.",
                severity="reshoot" if ruined else "look",
                frames=(number,),
                action="Shoot it again."
                if ruined
                else "It can be evened out; shoot it again if the set still stands, "
                "and give the flash longer to recycle.",
            )
        )
    return found


def flash_varies(r: Reading) -> list[Finding]:
    """Notice light that changes from frame to frame throughout."""
    if r.n < 5:
        return []
    _, rest = _line(exposure_of_frames(r))
    spread = _spread(rest)
    if spread <= UNSTEADY_EV:
        return []
    return [
        Finding(
            code="flash_varies",
            message=f"The light varies by {spread:.2f} EV from frame to frame "
            f"({rest.min():+.2f} to {rest.max():+.2f}).",
            severity="look",
            frames=tuple(_numbers(r)),
            action="It can be evened out. Give the flash longer to recycle, or use "
            "less than full power.",
        )
    ]


def flash_drift(r: Reading) -> list[Finding]:
    """Notice light that rises or falls from the first to the last frame."""
    if r.n < 5:
        return []
    drift, _ = _line(exposure_of_frames(r))
    if abs(drift) <= DRIFT_EV:
        return []
    ends = r.facts.frames[0], r.facts.frames[-1]
    # Light falls with the square of the lens's extension, and so does its field.
    growth = field_scale(ends[1].to_first) / field_scale(ends[0].to_first)
    is_extension = abs(drift - 2 * np.log2(growth)) < EXTENSION_MATCH_EV
    how = "falls" if drift < 0 else "rises"
    words = f"The light {how} by {abs(drift):.2f} EV from the first to the last frame"
    if is_extension:
        words += ", as the lens's extension explains"
    return [
        Finding(
            code="flash_drift",
            message=words + ".",
            severity="note" if is_extension else "look",
            frames=tuple(_numbers(r)),
            action=""
            if is_extension
            else "It can be evened out. Look for daylight, a lamp that warms up, or a "
            "flash that does not recycle.",
        )
    ]


def colour_shifts(r: Reading) -> list[Finding]:
    """Find frames whose light has another colour."""
    tint = colour_of_frames(r)
    if r.n < 3 or tint.shape[1] < 3:
        return []
    spread = 1.4826 * np.median(np.abs(tint), axis=0)
    limit = np.maximum(COLOUR_EV, COLOUR_SIGMAS * spread)
    found = []
    for number, shift in zip(_numbers(r), tint, strict=True):
        if (np.abs(shift) <= limit).all():
            continue
        worst = int(np.argmax(np.abs(shift) / limit))
        name = ("red", "green", "blue")[worst]
        found.append(
            Finding(
                code="colour_shift",
                message=f"The light of frame {number} has another colour: {name} "
                f"{shift[worst]:+.2f} EV against the other frames.",
                severity="look",
                frames=(number,),
                action="It can be evened out; see that all lamps fired and that no "
                "other light was on.",
            )
        )
    return found


def clipped_highlights(r: Reading) -> list[Finding]:
    """Highlights are cut off at full scale, everywhere or in some frames more."""
    white = np.array([f.white for f in r.facts.frames])
    near = np.array([f.near_white for f in r.facts.frames])
    share = float(white.mean())
    found = []
    typical = float(np.median(white))
    grown = white > np.maximum(typical + GROWN_BY, GROWN_TIMES * typical)
    if grown.any() and not grown.all():
        numbers = tuple(n for n, g in zip(_numbers(r), grown, strict=True) if g)
        found.append(
            Finding(
                code="highlights_grow",
                message=f"Frames {frames_named(numbers)} clip more than the others: up "
                f"to {percent(float(white.max()))} of their samples, others "
                f"{percent(typical)}.",
                severity="look",
                frames=numbers,
                action="Shoot them again with less light.",
            )
        )
    has_white = white > 0
    # Some frames may hold much that is just not clipped, so a third of them is enough.
    ratios = white[has_white] / (near[has_white] + 1e-12)
    ratio = float(np.quantile(ratios, 1 - CUT_OFF_FRAMES)) if share else 0.0
    if share > CLIPPED_NOTE and ratio > CUT_OFF_RATIO:
        found.append(
            Finding(
                code="highlights_clipped",
                message=f"Highlights are cut off at full scale: {percent(share)} of all "
                "samples, with nothing between them and what is just not clipped.",
                severity="look" if share > CLIPPED_LOOK else "note",
                frames=tuple(_numbers(r)),
                action="Lower the light where they matter, or develop the frames with "
                "a curve that rolls off.",
            )
        )
    return found
