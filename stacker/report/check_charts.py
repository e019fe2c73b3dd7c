"""Figures of a check: focus, light and alignment by frame, as SVG."""

from collections.abc import Sequence
from math import floor, log10

import numpy as np
import numpy.typing as npt

from stacker.drawing import Box, Drawing, Line, Words
from stacker.inspection import Reading
from stacker.inspection.exposure import MISFIRE_EV, exposure_of_frames
from stacker.inspection.stability import camera_path
from stacker.inspection.steps import GAP_STEPS

__all__ = ["check_charts"]

F64 = npt.NDArray[np.float64]

WIDTH, HEIGHT = 520, 236
LEFT, RIGHT, TOP, BOTTOM = 54.0, 506.0, 40.0, 196.0
_INK, _GREY, _FAINT = "#222222", "#666666", "#dddddd"
_BAR, _LIMIT = "#7fb2d9", "#d1495b"
# Told apart by lightness too.
_SHADES = ("#0b3c5d", "#328cc1", "#b07d2b")
BLOCKS = 3
"""The curves of sharpness: cells are put together in so many groups by their depth."""
LABEL_PX = 22.0
MARK_PX = 4.0


def check_charts(r: Reading) -> list[Drawing]:
    """Draw the figures of one check."""
    return [
        _path(r),
        _peaks(r),
        _sharpness(r),
        _steps(r),
        _exposure(r),
        _alignment(r),
    ]


class _Chart:
    """A drawing with frames along x and one quantity along y."""

    def __init__(
        self, title: str, unit: str, numbers: Sequence[int], low: float, high: float
    ) -> None:
        self.drawing = Drawing(width=WIDTH, height=HEIGHT, title=title)
        self.low, self.high = low, high if high > low else low + 1.0
        self.pitch = (RIGHT - LEFT) / len(numbers)
        shapes = self.drawing.shapes
        shapes.append(Words(x=LEFT, y=22, text=title, size=14, colour=_INK))
        shapes.append(
            Words(x=RIGHT, y=22, text=unit, size=12, colour=_GREY, anchor="end")
        )
        for value in _ticks(self.low, self.high):
            y = self.y(value)
            shapes.append(Line(x1=LEFT, y1=y, x2=RIGHT, y2=y, colour=_FAINT))
            shapes.append(
                Words(
                    x=LEFT - 6,
                    y=y + 4,
                    text=f"{value:g}",
                    size=11,
                    colour=_GREY,
                    anchor="end",
                )
            )
        every = max(1, int(np.ceil(LABEL_PX / self.pitch)))
        for k, number in enumerate(numbers):
            if k % every == 0:
                shapes.append(
                    Words(
                        x=self.x(k),
                        y=BOTTOM + 16,
                        text=f"{number}",
                        size=11,
                        colour=_GREY,
                        anchor="middle",
                    )
                )
        shapes.append(
            Words(
                x=(LEFT + RIGHT) / 2,
                y=BOTTOM + 31,
                text="frame, in order of focus",
                size=11,
                colour=_GREY,
                anchor="middle",
            )
        )

    def x(self, k: float) -> float:
        return LEFT + (k + 0.5) * self.pitch

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return BOTTOM - (BOTTOM - TOP) * min(max(share, 0.0), 1.0)

    def bars(self, values: Sequence[float], *, at: float = 0.0) -> None:
        for k, value in enumerate(values):
            y = self.y(value)
            self.drawing.shapes.append(
                Box(
                    x=self.x(k + at) - 0.38 * self.pitch,
                    y=y,
                    width=0.76 * self.pitch,
                    height=max(BOTTOM - y, 0.0),
                    fill=_BAR,
                )
            )

    def curve(self, values: F64, colour: str) -> None:
        for k in range(len(values) - 1):
            if np.isfinite(values[k : k + 2]).all():
                self.drawing.shapes.append(
                    Line(
                        x1=self.x(k),
                        y1=self.y(values[k]),
                        x2=self.x(k + 1),
                        y2=self.y(values[k + 1]),
                        colour=colour,
                        width=2,
                    )
                )

    def points(self, values: F64, colour: str) -> None:
        self.curve(values, colour)
        for k, value in enumerate(values):
            x, y = self.x(k), self.y(value)
            self.drawing.shapes.append(
                Box(x=x - 3, y=y - 3, width=6, height=6, fill=colour)
            )

    def limit(self, value: float, text: str) -> None:
        y = self.y(value)
        self.drawing.shapes += [
            Line(x1=LEFT, y1=y, x2=RIGHT, y2=y, colour=_LIMIT),
            Words(x=RIGHT, y=y - 4, text=text, size=11, colour=_LIMIT, anchor="end"),
        ]


def _ticks(low: float, high: float) -> list[float]:
    """Round values between, about four."""
    rough = (high - low) / 4
    power = 10.0 ** floor(log10(rough))
    step = next(f * power for f in (1, 2, 5, 10) if f * power >= rough)
    first = int(np.ceil(low / step - 1e-9))
    last = int(np.floor(high / step + 1e-9))
    return [round(i * step, 10) for i in range(first, last + 1)]


def _numbers(r: Reading) -> list[int]:
    return [r.number(k) for k in range(r.n)]


def _peaks(r: Reading) -> Drawing:
    sharpest = r.sharpest()
    counts = np.bincount(sharpest[sharpest >= 0], minlength=r.n)
    shares = 100 * counts / max(1, sharpest.size)
    chart = _Chart(
        "Where the picture is sharpest",
        "% of the picture",
        _numbers(r),
        0,
        float(shares.max()) * 1.1 if shares.any() else 1.0,
    )
    chart.bars(shares.tolist())
    return chart.drawing


def _path(r: Reading) -> Drawing:
    """Mark for every cell the frame at which it is sharpest, by its row."""
    rows, columns = r.curves.peak.shape
    chart = _Chart(
        "Focus path: where each place is sharpest",
        "% of the height, top above",
        _numbers(r),
        0,
        100,
    )
    frames = np.interp(r.curves.peak, r.z, np.arange(r.n))  # NaN stays NaN
    height = 0.7 * (BOTTOM - TOP) / rows
    for i, j in np.argwhere(np.isfinite(frames)).tolist():
        # Cells of one row stand a little apart, as they do in the picture.
        share = (i + 0.5 + 0.3 * (j / max(1, columns - 1) - 0.5)) / rows
        chart.drawing.shapes.append(
            Box(
                x=chart.x(float(frames[i, j])) - MARK_PX / 2,
                y=TOP + (BOTTOM - TOP) * share - height / 2,
                width=MARK_PX,
                height=max(height / 2, 1.0),
                fill=_SHADES[1],
            )
        )
    return chart.drawing


def _sharpness(r: Reading) -> Drawing:
    """Draw curves of cells at three depths, each with its peak at 1."""
    chart = _Chart(
        "Sharpness of places at three depths",
        "of their best",
        _numbers(r),
        0,
        1.08,
    )
    known = np.isfinite(r.curves.peak)
    if known.any():
        signal = np.maximum(r.energy[r.level] - r.noise[r.level], 0)[:, known]
        peaks = r.curves.peak[known]
        best = 1 / r.curves.least[known]
        edges = np.quantile(peaks, np.linspace(0, 1, BLOCKS + 1))
        for i, colour in enumerate(_SHADES):
            inside = (peaks >= edges[i]) & (peaks <= edges[i + 1])
            # A cell stands for the middle of its group.
            middle = float(np.median(peaks[inside]))
            close = inside & (np.abs(peaks - middle) < 0.5)
            if close.any():
                rooted = np.sqrt(signal[:, close]) / best[close]
                chart.curve(np.nanmedian(rooted, axis=1), colour)
    return chart.drawing


def _steps(r: Reading) -> Drawing:
    steps = np.diff(r.z)
    chart = _Chart(
        "Length of each step of focus",
        "against the usual step",
        _numbers(r),
        0,
        max(2.2, float(steps.max()) * 1.1) if steps.size else 2.2,
    )
    chart.bars(steps.tolist(), at=0.5)
    chart.limit(GAP_STEPS, "a gap from here")
    return chart.drawing


def _exposure(r: Reading) -> Drawing:
    stops = exposure_of_frames(r)[list(r.order)]
    far = max(2 * MISFIRE_EV, 1.15 * float(np.abs(stops).max()))
    chart = _Chart("Exposure", "EV against the median", _numbers(r), -far, far)
    chart.limit(MISFIRE_EV, "misfire")
    chart.limit(-MISFIRE_EV, "")
    chart.points(stops, _SHADES[0])
    return chart.drawing


def _alignment(r: Reading) -> Drawing:
    offset = camera_path(r).offset
    far = max(1.0, 1.15 * float(np.abs(offset).max()))
    chart = _Chart(
        "Off the path of the others", "px (dark x, light y)", _numbers(r), -far, far
    )
    chart.points(offset[:, 0], _SHADES[0])
    chart.points(offset[:, 1], _SHADES[1])
    return chart.drawing
