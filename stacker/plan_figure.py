"""The figure of a plan: the subject's depth, each frame's sharp zone, the overlaps.

Left is the camera's side. Each frame has a row: its sharp zone as a bar, its focus as a
tick. The strip below counts the frames that are sharp at each depth. With the lens
focused the scale is even in 1/distance, so that equal steps look equal and infinity has
a place; on a rail it is even in millimetres.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor, inf, isinf, log10

from stacker.drawing import Anchor, Box, Drawing, Line, Shape, Words
from stacker.planning import BracketPlan, Distances, FocusPosition
from stacker.planning.wording import figures_text, length_text, overlap_text

__all__ = ["plan_figure"]

_WIDTH = 960
_LEFT, _RIGHT = 70.0, 920.0
_TOP = 96.0
_ROWS_HEIGHT = 360.0
_THINNEST_ROW, _THICKEST_ROW = 4.0, 18.0
_BAR_SHARE = 0.78
_STRIP_HEIGHT = 20.0
_TICK_SPACING = 82.0
"""Least distance between two labels of the scale, in units: no label is wider."""

_ROUNDING = 1e-9

_INK, _GREY = "#222222", "#666666"
_SUBJECT = "#f3efe6"
_BAR, _FOCUS = "#7fb2d9", "#0b3c5d"
# Light to dark, so that it reads without colour too; soft depth stands out.
_COUNT_COLOURS = ("#d1495b", "#bcd9ee", "#5b9bc8", "#1f5f8b")


@dataclass(frozen=True, slots=True)
class _Scale:
    """From depth (mm, as in `FocusPosition.sharp`) to x on the figure."""

    near: float
    far: float
    is_inverse: bool

    def x(self, depth_mm: float) -> float:
        low, high, at = self.near, self.far, depth_mm
        if self.is_inverse:
            low, high, at = 1 / low, 1 / high, 1 / at
        share = (at - low) / (high - low)
        return _LEFT + (_RIGHT - _LEFT) * min(max(share, 0.0), 1.0)

    def ticks(self) -> Iterator[float]:
        """Round depths, at least `_TICK_SPACING` apart, and infinity if it is there."""
        last = _LEFT - _TICK_SPACING
        end = _RIGHT - _TICK_SPACING if isinf(self.far) else _RIGHT
        for depth_mm in self._round_depths():
            x = self.x(depth_mm)
            if x - last >= _TICK_SPACING and x <= end:
                last = x
                yield depth_mm
        if isinf(self.far):
            yield inf

    def _round_depths(self) -> Iterator[float]:
        if isinf(self.far):
            power = 10.0 ** floor(log10(self.near))
            for decade in (power, power * 10, power * 100):
                for digit in (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.0):
                    if digit * decade >= self.near:
                        yield digit * decade
            return
        least = (self.far - self.near) * _TICK_SPACING / (_RIGHT - _LEFT)
        power = 10.0 ** floor(log10(least))
        step = next(f * power for f in (1, 2, 5, 10) if f * power >= least)
        i = ceil(self.near / step - _ROUNDING)
        while i * step <= self.far + _ROUNDING * step:
            yield i * step
            i += 1


def plan_figure(plan: BracketPlan) -> Drawing:
    """Draw a plan.

    Returns
    -------
    Drawing
        `to_svg` and `to_png` write it.
    """
    is_inverse = isinstance(plan.subject, Distances)
    scale = _scale(plan, is_inverse=is_inverse)
    row = min(_THICKEST_ROW, max(_THINNEST_ROW, _ROWS_HEIGHT / len(plan.positions)))
    bottom = _TOP + row * len(plan.positions)
    figure = Drawing(
        width=_WIDTH,
        height=round(bottom + 112),
        title=f"{_headline(plan)}: sharp zone of each frame over the subject's depth",
    )
    figure.shapes += _heading(plan)
    figure.shapes += _subject(plan, scale, bottom)
    figure.shapes += _bars(plan, scale, row)
    figure.shapes += _strip(plan, scale, bottom)
    figure.shapes += _axis(scale, bottom)
    return figure


def _headline(plan: BracketPlan) -> str:
    n, number = len(plan.positions), plan.chosen.f_number
    frames = "1 frame" if n == 1 else f"{n} frames"
    objective = f"NA {plan.rig.numerical_aperture or 0:g}"
    return f"{frames} at {objective if number is None else f'f/{number:g}'}"


def _limits(plan: BracketPlan) -> tuple[float, float]:
    if isinstance(plan.subject, Distances):
        return plan.subject.near_mm, plan.subject.far_mm
    return 0.0, plan.subject.depth_mm


def _scale(plan: BracketPlan, *, is_inverse: bool) -> _Scale:
    near, far = _limits(plan)
    zones = [p.sharp for p in plan.positions]
    return _Scale(
        near=min(near, *(z.near_mm for z in zones)),
        far=max(far, *(z.far_mm for z in zones)),
        is_inverse=is_inverse,
    )


def _heading(plan: BracketPlan) -> list[Shape]:
    criterion = plan.criterion
    lens = plan.rig.focal_length_mm
    parts = [
        *([f"{lens:g} mm lens"] if lens is not None else []),
        f"sharp to a disc of {length_text(criterion.coc_mm)} ({figures_text(criterion.pixels)} px)",
        *([overlap_text(plan.chosen)] if len(plan.positions) > 1 else []),
    ]
    return [
        Words(x=_LEFT, y=34, text=_headline(plan), size=20, colour=_INK),
        Words(x=_LEFT, y=55, text=", ".join(parts), colour=_GREY),
    ]


def _subject(plan: BracketPlan, scale: _Scale, bottom: float) -> list[Shape]:
    near, far = _limits(plan)
    x1, x2 = scale.x(near), scale.x(far)
    depth = "" if isinf(far) else f", {length_text(far - near)} deep"
    shapes: list[Shape] = [
        Box(x=x1, y=_TOP - 12, width=x2 - x1, height=bottom - _TOP + 12, fill=_SUBJECT),
        Words(
            x=(x1 + x2) / 2,
            y=_TOP - 18,
            text=f"subject{depth}",
            anchor="middle",
            colour=_GREY,
        ),
    ]
    shapes += [
        Line(x1=x, y1=_TOP - 12, x2=x, y2=bottom, colour=_GREY) for x in (x1, x2)
    ]
    return shapes


def _bars(plan: BracketPlan, scale: _Scale, row: float) -> list[Shape]:
    shapes: list[Shape] = []
    every = 1 if row >= 12 else 5
    for i, position in enumerate(plan.positions):
        y = _TOP + i * row
        x1, x2 = scale.x(position.sharp.near_mm), scale.x(position.sharp.far_mm)
        x = scale.x(_focus(position))
        height = row * _BAR_SHARE
        shapes += [
            Box(x=x1, y=y, width=x2 - x1, height=height, fill=_BAR),
            Line(x1=x, y1=y, x2=x, y2=y + height, colour=_FOCUS, width=2),
        ]
        if i % every == 0:
            shapes.append(
                Words(
                    x=_LEFT - 12,
                    y=y + height / 2 + 4,
                    text=f"{i}",
                    size=11,
                    anchor="end",
                    colour=_GREY,
                )
            )
    return shapes


def _focus(position: FocusPosition) -> float:
    if position.distance_mm is not None:
        return position.distance_mm
    return (position.sharp.near_mm + position.sharp.far_mm) / 2


def _strip(plan: BracketPlan, scale: _Scale, bottom: float) -> list[Shape]:
    near, far = _limits(plan)
    zones = [p.sharp for p in plan.positions]
    edges = sorted(
        {near, far}
        | {e for z in zones for e in (z.near_mm, z.far_mm) if near < e < far}
    )
    y = bottom + 10
    shapes: list[Shape] = []
    for a, b in pairwise(edges):
        x1, x2 = scale.x(a), scale.x(b)
        n = sum(z.near_mm <= a and b <= z.far_mm for z in zones)
        colour = _COUNT_COLOURS[min(n, len(_COUNT_COLOURS) - 1)]
        shapes.append(Box(x=x1, y=y, width=x2 - x1, height=_STRIP_HEIGHT, fill=colour))
    shapes += _legend(y + _STRIP_HEIGHT + 62)
    return shapes


def _legend(y: float) -> list[Shape]:
    shapes: list[Shape] = [
        Words(x=_LEFT, y=y, text="frames sharp at a depth:", size=12, colour=_GREY)
    ]
    x = _LEFT + 160
    for colour, text in zip(
        _COUNT_COLOURS, ("none", "1", "2", "3 or more"), strict=True
    ):
        shapes += [
            Box(x=x, y=y - 11, width=14, height=14, fill=colour),
            Words(x=x + 20, y=y, text=text, size=12, colour=_GREY),
        ]
        x += 74
    return shapes


def _axis(scale: _Scale, bottom: float) -> list[Shape]:
    y = bottom + 10 + _STRIP_HEIGHT
    shapes: list[Shape] = [Line(x1=_LEFT, y1=y, x2=_RIGHT, y2=y, colour=_GREY)]
    like_mm = None if isinf(scale.far) else scale.far
    for depth_mm in scale.ticks():
        x = scale.x(depth_mm)
        text = length_text(depth_mm, figures=4, like_mm=like_mm)
        anchor: Anchor = "end" if isinf(depth_mm) else "middle"
        shapes += [
            Line(x1=x, y1=y, x2=x, y2=y + 5, colour=_GREY),
            Words(x=x, y=y + 19, text=text, size=12, anchor=anchor),
        ]
    name = (
        "distance from the lens, scale even in 1/distance"
        if scale.is_inverse
        else "depth from the subject's near end"
    )
    shapes += [
        Words(x=_LEFT, y=y + 38, text="<- camera", size=12, colour=_GREY),
        Words(
            x=(_LEFT + _RIGHT) / 2,
            y=y + 38,
            text=name,
            size=12,
            anchor="middle",
            colour=_GREY,
        ),
    ]
    return shapes
