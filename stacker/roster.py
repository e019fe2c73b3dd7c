"""Frames of a bracket as they come, each registered to one before it.

`Roster` is the first pass of a check: from a fraction of each frame's pixels it finds
where the frame lies and how bright it is, hands it to the survey, and keeps apart what
does not belong together. It does not mind the order, and more frames may always follow.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.align import (
    LIGHT_CELLS,
    ReducedFrame,
    measure_gain,
    register_pair,
)
from stacker.frame import Pixels, TransferTable
from stacker.geometry import at_level, field_scale, reduced_shape
from stacker.light import BRIGHTEST, linear_samples
from stacker.refinement import Prepared
from stacker.survey import (
    SURVEY_PIXELS,
    BracketFacts,
    FrameFacts,
    Survey,
    some_pixels,
)

__all__ = ["Look", "Roster"]

# About so many samples make one pixel of the thumbnail, against aliasing. Neighbours of
# 24 MP are registered to 0.044 px of 5657 on average; with twice as many to 0.041 px.
SAMPLES_PER_PIXEL = 4.0
# ECC comes near enough on a quarter of the thumbnail's sides: the refinement ends within
# 0.02 px of where it ends after ECC on half of them, in a third of the time.
ECC_PIXELS = 4.0e4
# Light needs fewer: tens of thousands of cells in all.
LIGHT_STEP = 2
# Frames of one bracket correlate above 0.94 in any order (ray-traced brackets); the same
# scene upside down reached 0.66.
SAME_PICTURE = 0.8
# Breathing over a whole bracket stays well within this factor.
MOST_SCALE = 1.3
# Frames tried before one counts as foreign: the last, then the most alike.
TRIES = 3
# Thumbnails are compared at about this many pixels to find the most alike.
LIKENESS_PIXELS = 1500


@dataclass(frozen=True, slots=True)
class Look:
    """A frame that was looked at: its pixels, and small copies of some of them."""

    raw: Pixels
    reduced: ReducedFrame


@dataclass(slots=True)
class _Member:
    """A frame with what registration of others to it needs."""

    facts: FrameFacts
    reduced: ReducedFrame
    prepared: Prepared
    likeness: npt.NDArray[np.float64]


@dataclass(slots=True)
class _Group:
    """Frames that are registered to each other."""

    survey: Survey
    members: list[_Member] = field(default_factory=list)


class Roster:
    """Takes frames one by one and tells what is known of the bracket.

    Parameters
    ----------
    shape : (height, width)
        Of every frame.
    table : (C, 65536) float32 array
        Linear light by 16-bit code.
    n_threads : int
        Threads to work with.
    """

    def __init__(
        self, shape: tuple[int, int], table: TransferTable, *, n_threads: int = 1
    ) -> None:
        self._shape = shape
        self._table = table
        self._n_threads = n_threads
        self._groups: list[_Group] = []
        self._correlations: dict[int, float] = {}

    def look(self, pixels: Pixels) -> Look:
        """Look at a frame; may be called in another thread while `add` works.

        Parameters
        ----------
        pixels : (H, W) or (H, W, 3) uint8 or uint16 array
            May be a view into a file; about a third of a large frame is touched.
        """
        raw = pixels.reshape(*self._shape, -1) if pixels.ndim == 2 else pixels
        return Look(raw, _reduce(raw, self._table))

    def add(self, number: int, look: Look) -> None:
        """Take the next frame, whose 0-based number is `number`."""
        raw, reduced = look.raw, look.reduced
        likeness = _likeness(reduced)
        prepared = Prepared(reduced.luma)
        best = 0.0
        for group, member in self._candidates(likeness):
            found = register_pair(
                member.prepared,
                prepared,
                "similarity",
                n_threads=self._n_threads,
                ecc_pixels=ECC_PIXELS,
            )
            if found is None:
                continue
            best = max(best, found.correlation)
            step = at_level(found.mov_to_ref, reduced.luma.shape, self._shape)
            scale = field_scale(step)
            is_same = 1 / MOST_SCALE < scale < MOST_SCALE
            if is_same and found.correlation >= SAME_PICTURE:
                light = measure_gain(member.reduced, reduced, step, self._shape)
                place = member.facts.to_first @ step
                gain = member.facts.gain * light.ratio
                facts = group.survey.add(number, raw, reduced, place, gain, best)
                _join(group, _Member(facts, reduced, prepared, likeness))
                return
        survey = Survey(
            self._shape,
            self._table,
            n_threads=self._n_threads,
            beside=self._groups[0].survey if self._groups else None,
        )
        group = _Group(survey)
        self._groups.append(group)
        self._correlations[number] = best
        facts = group.survey.add(
            number, raw, reduced, np.eye(3), np.ones(raw.shape[2]), 1.0
        )
        _join(group, _Member(facts, reduced, prepared, likeness))

    def facts(self) -> BracketFacts:
        """Tell of the largest group of frames that belong together.

        Frames outside it are listed as unrelated.
        """
        largest = max(self._groups, key=lambda g: len(g.members))
        numbers = [
            m.facts.number for g in self._groups if g is not largest for m in g.members
        ]
        return largest.survey.facts(
            unrelated=tuple(
                (n, self._correlations.get(n, 0.0)) for n in sorted(numbers)
            )
        )

    def _candidates(
        self, likeness: npt.NDArray[np.float64]
    ) -> list[tuple[_Group, _Member]]:
        """Frames to register the next one to, most promising first."""
        groups = sorted(self._groups, key=lambda g: -len(g.members))
        chosen = [(g, g.members[-1]) for g in groups[:1]]
        others = [(g, m) for g in groups for m in g.members if m is not chosen[0][1]]
        others.sort(key=lambda pair: -float(likeness @ pair[1].likeness))
        return [*chosen, *others[: TRIES - 1]]


def _join(group: _Group, member: _Member) -> None:
    if group.members:  # the next frame is most likely registered to this one, not that
        last = group.members[-1]
        last.prepared = Prepared(last.reduced.luma)
    group.members.append(member)


def _reduce(raw: Pixels, table: TransferTable) -> ReducedFrame:
    """Make small copies of a frame from some of its pixels."""
    height, width = raw.shape[:2]
    step = max(1, round(np.sqrt(height * width / (SAMPLES_PER_PIXEL * SURVEY_PIXELS))))
    some = some_pixels(raw, step)
    shape = reduced_shape((height, width), SURVEY_PIXELS)
    # Luma first: one channel is reduced in a third of the time, and without rounding.
    luma = _opencv.area_reduce(_opencv.luma_of(some).astype(np.float32), shape)
    luma *= np.float32(1 / np.iinfo(raw.dtype).max)
    light = linear_samples(some, table, LIGHT_STEP if step > 1 else 1)
    cell_shape = reduced_shape(light.shape[:2], LIGHT_CELLS)
    cells = _opencv.area_reduce(light, cell_shape).reshape(*cell_shape, raw.shape[2])
    bright = light[..., 0] > BRIGHTEST
    for c in range(1, light.shape[2]):
        bright |= light[..., c] > BRIGHTEST
    clipped = _opencv.area_reduce(bright.astype(np.float32), cell_shape)
    return ReducedFrame(luma, cells, clipped)


def _likeness(reduced: ReducedFrame) -> npt.NDArray[np.float64]:
    """Tiny copy of a frame as a unit vector: products of two tell how alike they are."""
    shape = reduced_shape(reduced.luma.shape, LIKENESS_PIXELS)
    tiny = _opencv.area_reduce(reduced.luma, shape).astype(np.float64).ravel()
    tiny -= tiny.mean()
    return np.asarray(tiny / max(float(np.linalg.norm(tiny)), 1e-12))
