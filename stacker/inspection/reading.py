"""What the facts of a bracket say, before anything is judged.

Order of the frames by focus, length of each step, where each cell is sharpest. The
functions that look for faults read this and nothing is computed twice.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from stacker.frame import Box, FrameInfo
from stacker.geometry import field_scale
from stacker.inspection.focus import (
    CellCurves,
    fit_cells,
    median_width,
    step_lengths,
)
from stacker.survey import N_LEVELS, BracketFacts

__all__ = ["Gauge", "Reading", "box_of_cells", "clusters", "read_facts"]

F64 = npt.NDArray[np.float64]
Gauge: TypeAlias = Literal["breathing", "metadata", "sharpness", "none"]

# Breathing or noted distances measure focus where their steps are this even (robust
# spread over median); breathing must be this large at the thumbnail's corners, in pixels.
EVEN_STEPS, SMALLEST_STEP_PX = 0.35, 0.15
# A step back of more than this part of a step is another order, less is no step at all.
STEP_BACK = 0.5
# Sharpness alone tells lengths of steps where there are so many frames.
FRAMES_OF_A_GAUGE = 7
# The scale of detail at which peaks are measured best: neither lost after one step nor
# unchanged after three.
BEST_WIDTH = 1.8
# A scale that shows peaks in fewer cells than this part of what another one does is
# left to that one: in dark frames noise hides the finest detail.
FEWEST_PEAKS = 0.3
# Another order must shorten the way through focus by this much before it is believed.
SHORTER_WAY = 1.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """A bracket in the order of its focus.

    Attributes
    ----------
    facts : BracketFacts
        As surveyed.
    infos : sequence of FrameInfo
        What the headers say, by number: of all frames given.
    order : tuple of int
        Positions in ``facts.frames`` from one end of focus to the other, beginning with
        the end that was given first.
    is_ordered : bool
        The frames were given in that order.
    z : (n,) array
        Positions along focus in that order, in steps of ordinary length.
    gauge : str
        What `z` was measured by.
    level : int
        Scale of detail at which peaks are measured.
    widths : tuple of float or None
        Width of the sharpness curve at each scale, in steps; None where not measured.
    curves : CellCurves
        Of every cell, at `level`.
    energy, noise : (levels, n, rows, columns) arrays
        In that order.
    """

    facts: BracketFacts
    infos: Sequence[FrameInfo]
    order: tuple[int, ...]
    is_ordered: bool
    z: F64
    gauge: Gauge
    level: int
    widths: tuple[float | None, ...]
    curves: CellCurves
    energy: npt.NDArray[np.float32]
    noise: npt.NDArray[np.float32]

    @property
    def n(self) -> int:
        """Number of frames that belong together."""
        return len(self.order)

    @property
    def width(self) -> float | None:
        """Width at `level`."""
        return self.widths[self.level]

    def number(self, k: int) -> int:
        """Tell the number, among all frames given, of the `k`-th in order of focus."""
        return self.facts.frames[self.order[k]].number

    def box(self, cells: npt.NDArray[np.int64]) -> Box:
        """Box of cells (m, 2) of the grid, in pixels of the master."""
        return box_of_cells(cells, self.facts.grid, self.facts)

    def sharpest(self) -> npt.NDArray[np.int64]:
        """Which frame, in order of focus, is sharpest in each cell; -1 where flat."""
        nearest = np.abs(self.curves.peak[None] - self.z[:, None, None]).argmin(axis=0)
        signal = self.energy[self.level]
        known = np.isfinite(signal).any(axis=0) & self.curves.is_textured
        strongest = np.where(np.isfinite(signal), signal, -1.0).argmax(axis=0)
        has_peak = np.isfinite(self.curves.peak)
        return np.where(has_peak, nearest, np.where(known, strongest, -1))


def read_facts(facts: BracketFacts, infos: Sequence[FrameInfo]) -> Reading:
    """Put the frames in order and measure where everything is sharpest."""
    energy, noise = facts.energy(), facts.noise()
    order, is_ordered, measured, gauge = _order(facts, infos, energy, noise)
    energy, noise = energy[:, list(order)], noise[:, list(order)]
    z = np.arange(len(order), dtype=float)
    if measured is not None:
        z = measured
    elif len(order) >= FRAMES_OF_A_GAUGE:
        steps = _steps_by_sharpness(energy, noise)
        if steps is not None:
            gauge, z = "sharpness", np.concatenate([[0.0], np.cumsum(steps)])
    curves = [fit_cells(z, energy[v], noise[v]) for v in range(N_LEVELS)]
    widths = tuple(median_width(c) for c in curves)
    level = _best_level(curves)
    return Reading(
        facts=facts,
        infos=infos,
        order=order,
        is_ordered=is_ordered,
        z=z,
        gauge=gauge,
        level=level,
        widths=widths,
        curves=curves[level],
        energy=energy,
        noise=noise,
    )


def _best_level(curves: Sequence[CellCurves]) -> int:
    """Scale of detail at which peaks are measured best; 0 where at none."""
    n_peaks = [np.count_nonzero(np.isfinite(c.peak)) for c in curves]
    known = [
        (abs(np.log(width / BEST_WIDTH)), v)
        for v, width in enumerate(map(median_width, curves))
        if width and n_peaks[v] >= FEWEST_PEAKS * max(n_peaks)
    ]
    return min(known)[1] if known else 0


def _steps_by_sharpness(
    energy: npt.NDArray[np.float32], noise: npt.NDArray[np.float32]
) -> F64 | None:
    """Lengths of the steps at the scale of detail that shows them best."""
    z = np.arange(energy.shape[1], dtype=float)
    curves = [fit_cells(z, e, f) for e, f in zip(energy, noise, strict=True)]
    level = _best_level(curves)
    return step_lengths(energy[level], noise[level])


def _order(
    facts: BracketFacts,
    infos: Sequence[FrameInfo],
    energy: npt.NDArray[np.float32],
    noise: npt.NDArray[np.float32],
) -> tuple[tuple[int, ...], bool, F64 | None, Gauge]:
    """Order by focus, whether it is the one given, and `z` where a gauge measures it."""
    n = len(facts.frames)
    if n < 3:
        return tuple(range(n)), True, None, "none"
    scale = np.log([field_scale(f.to_first) for f in facts.frames])
    corner_px = float(np.hypot(*facts.frames[0].luma.shape)) / 2
    found = _along(scale, SMALLEST_STEP_PX / corner_px)
    if found is not None:
        return (*found, "breathing")
    distances = [infos[f.number].focus_distance_mm for f in facts.frames]
    if all(distances):
        found = _along(np.array([1 / d for d in distances if d]), 0.0)
        if found is not None:
            return (*found, "metadata")
    by_sharpness = _shortest_way(energy, noise)
    return by_sharpness, by_sharpness == tuple(range(n)), None, "none"


def _along(
    values: F64, smallest_step: float
) -> tuple[tuple[int, ...], bool, F64] | None:
    """Order and positions by a quantity that runs evenly with focus.

    None where it does not: steps too small to be measured, or too uneven.
    """
    by_value = np.argsort(values, kind="stable")
    steps = np.diff(values[by_value])
    step = float(np.median(steps))
    spread = 1.4826 * float(np.median(np.abs(steps - step)))
    if step <= smallest_step or spread >= EVEN_STEPS * step:
        return None
    # Focus runs the way that most of the frames go.
    forward = 1.0 if np.median(np.diff(values)) >= 0 else -1.0
    z = forward * values / step
    if (np.diff(z) > -STEP_BACK).all():
        return tuple(range(len(values))), True, z - z[0]
    order = np.argsort(z, kind="stable")
    return tuple(int(i) for i in order), False, z[order] - z[order[0]]


def _shortest_way(
    energy: npt.NDArray[np.float32], noise: npt.NDArray[np.float32]
) -> tuple[int, ...]:
    """Order in which neighbours look alike at the coarsest scale; as given if near it.

    Frames are put in the order of the Fiedler vector of their likeness (seriation).

    References
    ----------
    Atkins, Boman & Hendrickson (1998), A spectral algorithm for seriation and the
    consecutive ones problem, SIAM J. Comput. 28, 297-310.
    """
    n = energy.shape[1]
    signal = np.maximum(energy[-1] - noise[-1], 0.05 * noise[-1] + 1e-20)
    seen = np.isfinite(energy[-1]).all(axis=0)
    seen &= np.where(seen, (energy[-1] / (noise[-1] + 1e-20)).max(axis=0), 0) > 2
    if n < 4 or np.count_nonzero(seen) < n:
        return tuple(range(n))
    log = np.log(signal[:, seen])
    apart = np.abs(log[:, None] - log[None]).mean(axis=2)
    typical = float(np.median(np.sort(apart, axis=1)[:, 1]))
    like = np.exp(-apart / max(typical, 1e-9))
    _, vectors = np.linalg.eigh(np.diag(like.sum(axis=1)) - like)
    order = np.argsort(vectors[:, 1], kind="stable")
    if order[0] > order[-1]:
        order = order[::-1]

    def way(places: npt.NDArray[np.int64]) -> float:
        return float(sum(apart[a, b] for a, b in pairwise(places)))

    given = np.arange(n)
    return tuple(
        int(i) for i in (order if way(given) > SHORTER_WAY * way(order) else given)
    )


def clusters(mask: npt.NDArray[np.bool_]) -> list[npt.NDArray[np.int64]]:
    """Find groups of places that touch by side or corner, (m, 2) each, largest first."""
    waiting = {(int(r), int(c)) for r, c in np.argwhere(mask)}
    found = []
    while waiting:
        edge = [waiting.pop()]
        group = []
        while edge:
            r, c = edge.pop()
            group.append((r, c))
            near = {(r + i, c + j) for i in (-1, 0, 1) for j in (-1, 0, 1)} & waiting
            waiting -= near
            edge.extend(near)
        found.append(np.array(sorted(group)))
    return sorted(found, key=len, reverse=True)


def box_of_cells(
    cells: npt.NDArray[np.int64], grid: tuple[int, int], facts: BracketFacts
) -> Box:
    """Box of cells (m, 2) of any grid over the first frame, in pixels of the master."""
    height, width = facts.shape
    (top, left), (bottom, right) = cells.min(axis=0), cells.max(axis=0) + 1
    y, x = height / grid[0], width / grid[1]
    corners = np.array([[left * x, right * x], [top * y, bottom * y], [1, 1]])
    moved = facts.to_master @ corners
    moved = moved[:2] / moved[2]
    x0, x1 = np.clip(np.sort(moved[0]), 0, width)
    y0, y1 = np.clip(np.sort(moved[1]), 0, height)
    row, column = min(int(y0), height - 1), min(int(x0), width - 1)
    return Box(
        row=row,
        column=column,
        height=max(1, int(y1) - row),
        width=max(1, int(x1) - column),
    )
