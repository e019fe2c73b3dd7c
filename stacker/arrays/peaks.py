"""Running peak of sharpness over the frames, and its place to a fraction of a frame."""

from dataclasses import dataclass
from typing import Any, Self

import numpy as np

__all__ = ["Peaks", "drift_of", "peak_place", "take_frame"]

# A frame's merit halves where the squared change of luma per frame is a sixteenth of its
# energy (as in `_kernels.peaks`, where it was measured).
DRIFT_DAMPING = 16.0
TINY = 1e-12


@dataclass(slots=True)
class Peaks:
    """The running peak at every place, (h, w) each.

    Attributes
    ----------
    best, which : float32, int16
        Largest merit, -1 before the first, and its frame.
    at_best, before, after : float32
        Energy of that frame and of its neighbours; negative = not covered.
    total, count : float32, uint16
        Sum and number of the merits.
    """

    best: Any
    at_best: Any
    before: Any
    after: Any
    total: Any
    count: Any
    which: Any

    @classmethod
    def none(cls, xp: Any, shape: tuple[int, int]) -> Self:
        """Return the state before the first frame."""
        best, at_best, before, after = (xp.full(shape, -1, np.float32) for _ in "1234")
        return cls(
            best=best,
            at_best=at_best,
            before=before,
            after=after,
            total=xp.zeros(shape, np.float32),
            count=xp.zeros(shape, np.uint16),
            which=xp.full(shape, -9, np.int16),
        )


def drift_of(xp: Any, before: Any, after: Any, *, one_sided: bool) -> Any:
    """Squared change of luma per frame, from the luma of the two neighbours of a frame.

    `one_sided`: of the frame itself and its only neighbour. 0 where luma is negative,
    which means not covered.
    """
    step = (after - before) * np.float32(1.0 if one_sided else 0.5)
    return xp.where((before >= 0) & (after >= 0), step * step, np.float32(0))


def take_frame(
    xp: Any,
    peaks: Peaks,
    number: int,
    energies: tuple[Any, Any | None, Any | None],
    drift: Any,
) -> None:
    """Take frame `number` into the running peak, in place.

    `energies` are the frame's and those of the frames before and after it, negative
    where not covered, None where there is no such frame.
    """
    energy, previous, following = energies
    ratio = np.float32(DRIFT_DAMPING) * drift / (energy + np.float32(TINY))
    merit = energy / (1 + (ratio * ratio) ** 2)
    covered = energy >= 0
    is_best = covered & (merit > peaks.best)
    none = np.float32(-1)
    if number == 1 and following is not None:
        # The peak at frame 0 has one neighbour: its free slot takes frame 2.
        at_first = covered & ~is_best & (peaks.which == 0)
        peaks.before = xp.where(at_first, following, peaks.before)
    peaks.total += xp.where(covered, merit, 0)
    peaks.count += covered
    peaks.best = xp.where(is_best, merit, peaks.best)
    peaks.at_best = xp.where(is_best, energy, peaks.at_best)
    before = none if previous is None else previous
    after = none if following is None else following
    peaks.before = xp.where(is_best, before, peaks.before)
    peaks.after = xp.where(is_best, after, peaks.after)
    peaks.which = xp.where(is_best, np.int16(number), peaks.which)


def _inverse_root(xp: Any, energy: Any, floor: Any) -> Any:
    # A twentieth of the floor keeps the root finite at and below the floor.
    tiny = np.float32(0.05) * floor + np.float32(TINY)
    return 1 / xp.sqrt(xp.maximum(energy - floor, tiny))


def peak_place(xp: Any, peaks: Peaks, n_frames: int, floor: Any) -> Any:
    """Fractional frame number of the peak, (h, w) float32, range [0, n_frames - 1].

    Vertex of the parabola through ``(E - floor) ** -0.5`` of three neighbouring frames.
    Of a peak at the first or last frame, the three are the first or last three.
    """
    which = peaks.which
    y0, y1, y2 = (
        _inverse_root(xp, e, floor) for e in (peaks.before, peaks.at_best, peaks.after)
    )
    is_first, is_last = which == 0, (which == n_frames - 1) & (which != 0)
    middle = xp.where(is_first, 1, xp.where(is_last, which - 1, which))
    y0, y1, y2 = (
        xp.where(is_first, y1, xp.where(is_last, y2, y0)),
        xp.where(is_first, y2, xp.where(is_last, y0, y1)),
        xp.where(is_first, y0, xp.where(is_last, y1, y2)),
    )
    bend = y0 - 2 * y1 + y2
    has_vertex = (peaks.before >= 0) & (peaks.after >= 0) & (bend > 0)
    step = np.float32(0.5) * (y0 - y2) / xp.where(has_vertex, bend, 1)
    vertex = middle + xp.clip(step, -1, 1)
    place = xp.where(has_vertex, vertex, xp.maximum(which, 0))
    return xp.clip(place, 0, max(n_frames - 1, 0)).astype(np.float32)
