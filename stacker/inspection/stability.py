"""Faults of the stand: a frame that was knocked, a camera or set that moved for good."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from stacker.frame import Finding
from stacker.inspection.advice import frames_named
from stacker.inspection.parallax import sideways_motion
from stacker.inspection.reading import Reading

__all__ = [
    "CameraPath",
    "camera_path",
    "knocked_frames",
    "off_the_others",
    "unsteady_stand",
]

F64 = npt.NDArray[np.float64]

# Shares of the picture's width. Registration is surer than the first; the second is the
# least that is spoken of (1.2 pixels of 1500).
STEADY, LEAST = 0.0002, 0.0008
# Of brackets whose frames wander at random so many have a frame that stands out.
FALSE_ALARMS = 0.01
# Frames that reach this part of that are named in a note. So are, where a knock that is
# worth finding (3 pixels of 1500) could hide in the wandering, the farthest ones.
NOTED, WORTH_FINDING, NOTED_FRAMES = 0.55, 0.002, 3
# A step on top of the line stands out by so many standard errors in 0.3 % of brackets
# whose frames wander at random (simulated).
SHIFTED, SHIFTED_FEW = 4.3, 10.0
BEFORE_FRAMES, AFTER_FRAMES = 3, 3
FEWEST_FRAMES = 5
LINE_STEPS = 12
# Parallax is measured to about this.
LEAST_PARALLAX_PX = 0.1


@dataclass(frozen=True, slots=True)
class CameraPath:
    """Where the picture's centre lies in each frame, by order of focus.

    Attributes
    ----------
    place : (n, 2) array
        X and y in pixels of the first frame, less what sideways motion of the camera
        explains.
    offset : (n, 2) array
        The same from a straight path through all other frames.
    roll_px : (n,) array
        The same for rotation, as the way of the corners.
    others_px : (n,) array
        How far all other frames stand off their path, root mean square of one
        coordinate.
    limit_px : (n,) array
        How far a frame may stand off by chance.
    """

    place: F64
    offset: F64
    roll_px: F64
    others_px: F64
    limit_px: F64


@lru_cache(maxsize=1)
def camera_path(r: Reading) -> CameraPath:
    """Measure how far every frame stands off a smooth path."""
    height, width = r.facts.shape
    centre = np.array([(width - 1) / 2, (height - 1) / 2, 1.0])
    places, rolls = [], []
    for k in r.order:
        matrix = r.facts.frames[k].to_first
        moved = matrix @ centre
        places.append(moved[:2] / moved[2] - centre[:2])
        rolls.append(np.arctan2(matrix[1, 0], matrix[0, 0]))
    roll_px = np.array(rolls)[:, None] * np.hypot(height, width) / 2
    place = np.array(places)
    offset, others, limit = off_the_others(r.z, place, STEADY * width)
    shift, parallax = sideways_motion(r)
    less = place + shift
    less -= _factor(_off_the_line(r.z, less), _off_the_line(r.z, parallax)) * parallax
    straight = off_the_others(r.z, less, STEADY * width)
    # Where depth runs with height in the picture, parallax is not told from tilt.
    if np.median(straight[1]) < np.median(others):
        place, (offset, others, limit) = less, straight
    return CameraPath(
        place=place,
        offset=offset,
        roll_px=_off_the_line(r.z, roll_px)[:, 0],
        others_px=others,
        limit_px=limit,
    )


def off_the_others(z: F64, place: F64, steady_px: float) -> tuple[F64, F64, F64]:
    """Offset of every frame from the line through all others, their spread, and a limit.

    Externally studentized residuals of two coordinates: the square of an offset over
    that of its error follows Fisher's F with two degrees of freedom above, whose
    quantile has a closed form; the limit holds for all frames together (Bonferroni).

    Parameters
    ----------
    z : (n,) array
        Positions along focus.
    place : (n, 2) array
        Where each frame lies, in pixels.
    steady_px : float
        Least spread that is believed.

    Returns
    -------
    offset : (n, 2) array
    others, limit : (n,) arrays
        Root mean square of one coordinate of the others; infinite limit where there
        are too few frames.

    References
    ----------
    Cook, R. D. & Weisberg, S. (1982), Residuals and Influence in Regression, 2.2.
    """
    n = len(z)
    basis = np.stack([np.ones_like(z), z], axis=1)
    if n < FEWEST_FRAMES:
        basis = basis[:, :1]
    offset, others = np.empty_like(place), np.full(n, steady_px)
    limit = np.full(n, np.inf)
    free = 2 * (n - 1 - basis.shape[1])
    for k in range(n):
        rest = np.arange(n) != k
        terms = np.linalg.pinv(basis[rest]) @ place[rest]
        offset[k] = place[k] - basis[k] @ terms
        if free <= 0:
            continue
        squares = float(((place[rest] - basis[rest] @ terms) ** 2).sum())
        others[k] = max(np.sqrt(squares / free), steady_px)
        lever = basis[k] @ np.linalg.inv(basis[rest].T @ basis[rest]) @ basis[k]
        quantile = free / 2 * ((FALSE_ALARMS / n) ** (-2 / free) - 1)
        limit[k] = others[k] * np.sqrt(2 * quantile * (1 + lever))
    return offset, others, limit


def _factor(offset: F64, parallax: F64) -> float:
    """How far the whole picture shifts for each pixel of parallax, by robust fit.

    A camera that moves sideways does both, in one ratio for all frames.
    """
    factor = 0.0
    for _ in range(LINE_STEPS):
        square = ((offset - factor * parallax) ** 2).sum(axis=1)
        weight = 1 / (1 + square / (2 * float(np.median(square)) + 1e-9))
        total = float((weight[:, None] * parallax**2).sum())
        if total < LEAST_PARALLAX_PX**2 * len(offset):
            return 0.0
        factor = float((weight[:, None] * offset * parallax).sum()) / total
    return factor


def _off_the_line(z: F64, values: F64) -> F64:
    """Distances from the line of least absolute deviations, (n, d).

    Iteratively reweighted: a knocked frame must not draw the line to itself.
    """
    basis = np.stack([np.ones_like(z), z], axis=1)
    if len(z) < FEWEST_FRAMES:
        basis = basis[:, :1]
    out = np.empty_like(values)
    for j, column in enumerate(values.T):
        weight = np.ones_like(z)
        rest = column
        for _ in range(LINE_STEPS):
            root = np.sqrt(weight)
            terms = np.linalg.lstsq(basis * root[:, None], column * root, rcond=None)[0]
            rest = column - basis @ terms
            least = 1e-3 * float(np.median(np.abs(rest))) + 1e-9
            weight = 1 / np.maximum(np.abs(rest), least)
        out[:, j] = rest
    return out


def unsteady_stand(r: Reading) -> list[Finding]:
    """Find frames that stand off the path that the others follow, and a move for good."""
    if r.n < FEWEST_FRAMES or not r.is_ordered:
        return []  # far neighbours are registered less well than a stand stands
    path = camera_path(r)
    return _moved_for_good(r, path) + knocked_frames(r, path)


def knocked_frames(r: Reading, path: CameraPath) -> list[Finding]:
    """Find frames that stand off the path of the others, or may do."""
    least = LEAST * r.facts.shape[1]
    away = np.hypot(*path.offset.T)
    limit = np.maximum(path.limit_px, least)
    found = []
    for k in np.flatnonzero(away > limit).tolist():
        x, y = path.offset[k]
        found.append(
            Finding(
                code="frame_knocked",
                message=f"Frame {r.number(k)} stands {away[k]:.1f} px off the path of "
                f"the others (x {x:+.1f}, y {y:+.1f}; they keep to "
                f"{path.others_px[k]:.1f} px).",
                severity="look",
                frames=(r.number(k),),
                action="It will be registered; look for parallax at depth steps, and "
                "shoot it again if the set still stands.",
            )
        )
    others = np.flatnonzero(away <= limit)
    return found + _wandering(r, path.place, others)


def _wandering(r: Reading, place: F64, among: npt.NDArray[np.int64]) -> list[Finding]:
    """Name the frames farthest off where a knock may hide in the wandering of all."""
    width = r.facts.shape[1]
    if len(among) < FEWEST_FRAMES:
        return []
    offset, others_px, limit_px = off_the_others(
        r.z[among], place[among], STEADY * width
    )
    away = np.hypot(*offset.T)
    hides_px, wander_px = float(np.median(limit_px)), float(np.median(others_px))
    is_unsteady = hides_px > WORTH_FINDING * width
    floor = np.full(len(away), LEAST * width)
    if not is_unsteady:
        floor = np.maximum(NOTED * limit_px, floor)
    farthest = np.argsort(-away, kind="stable")
    places = [i for i in farthest.tolist() if away[i] > floor[i]][:NOTED_FRAMES]
    if not places:
        return []
    noted = [int(among[i]) for i in places]
    listed = ", ".join(
        f"frame {r.number(k)} by {away[i]:.1f} px"
        for i, k in zip(places, noted, strict=True)
    )
    words = f"The frames keep to their path within {wander_px:.1f} px"
    if is_unsteady:
        words = (
            f"The frames wander about their path by {wander_px:.1f} px, so that a knock "
            f"of less than {hides_px:.0f} px cannot be told from it"
        )
    return [
        Finding(
            code="unsteady_frames",
            message=f"{words}; farthest off: {listed}.",
            severity="note",
            frames=tuple(r.number(k) for k in noted),
            action="If the stand was touched, look at these frames first, at depth "
            "steps. Registration evens the rest out; a stiffer stand and a remote "
            "release avoid it.",
        )
    ]


def _moved_for_good(r: Reading, path: CameraPath) -> list[Finding]:
    """Find the frame from which on camera or set stand elsewhere."""
    place = path.place
    best, at, shift = 0.0, 0, np.zeros(2)
    for k in range(BEFORE_FRAMES, r.n - AFTER_FRAMES + 1):
        after = (np.arange(r.n) >= k).astype(float)
        basis = np.stack([np.ones(r.n), r.z, after], axis=1)
        terms, inverse = np.linalg.pinv(basis) @ place, np.linalg.inv(basis.T @ basis)
        rest = place - basis @ terms
        spread = np.sqrt((rest**2).sum() / (2 * (r.n - basis.shape[1])))
        spread = max(float(spread), STEADY * r.facts.shape[1])
        ratio = float(np.hypot(*terms[2]) / (spread * np.sqrt(inverse[2, 2])))
        if ratio > best:
            best, at, shift = ratio, k, terms[2]
    far_px = float(np.hypot(*shift))
    if best < SHIFTED + SHIFTED_FEW / r.n or far_px < LEAST * r.facts.shape[1]:
        return []
    numbers = [r.number(k) for k in range(at, r.n)]
    return [
        Finding(
            code="set_moved",
            message=f"From frame {numbers[0]} on everything stands {far_px:.1f} px "
            f"elsewhere (x {shift[0]:+.1f}, y {shift[1]:+.1f}): the camera or the set "
            "moved.",
            severity="look",
            frames=tuple(numbers),
            action=f"Frames {frames_named(numbers)} will be registered; look for "
            "parallax at depth steps, and shoot again from the first frame if it shows.",
        )
    ]
