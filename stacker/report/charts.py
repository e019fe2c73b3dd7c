"""Charts of the page: figures of the record as places in small pictures.

Geometry only; the template draws it. Series differ by the shape of their marks and their
dashes, never by colour alone.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stacker.report.record import Record
from stacker.report.wording import signed

__all__ = ["Bar", "Chart", "line_charts", "share_chart", "smooth_path"]

SHARE_WIDTH_PX = 1040
BAR_PITCH_PX = (14, 64)
"""Smallest and largest distance of bars: room for a two-digit number, and for "12.3 %"."""
SHARE_HEIGHT_PX = 150
SHARE_MARGIN_PX = 22
ROOMY_PITCH_PX = 48

WIDTH_PX, HEIGHT_PX = 392, 210
LEFT_PX, RIGHT_PX, TOP_PX, BOTTOM_PX = 52, 26, 12, 38
TICKS = 4
MIN_FRAMES_FOR_PATH = 5
"""A parabola through fewer frames would follow whatever they do."""
OUTLIER_SIGMAS = 3.0
MAD_TO_SIGMA = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution."""

_MARKS = (
    "m-3,0a3,3 0 1,0 6,0a3,3 0 1,0 -6,0z",  # circle
    "m-2.8,-2.8h5.6v5.6h-5.6z",  # square
    "m0,-3.8l3.6,6.4h-7.2z",  # triangle
)
"""Outlines round the place of a value, told apart without colour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One bar of the chart of shares, in pixels from the chart's top left."""

    frame: int
    share: float
    x: float
    y: float
    width: float
    height: float
    middle: float
    labelled: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One value: an outline to be drawn at its place, and the value in words."""

    outline: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One line of a chart: its name, mark, values, and the smooth path beside them."""

    name: str
    legend: str
    marks: tuple[Mark, ...]
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A chart of values by frame.

    Attributes
    ----------
    title, axis, note : str
        What it shows, the unit, and what is remarkable.
    width, height, floor : int
        In pixels; `floor` is the base line.
    rows, columns : tuple of (float, str)
        Ticks: place and label.
    series : tuple of Series
        Drawn in order.
    bars : tuple of Bar
        Instead of series, for shares of a whole.
    """

    title: str
    axis: str
    note: str
    rows: tuple[tuple[float, str], ...]
    columns: tuple[tuple[float, str], ...]
    series: tuple[Series, ...] = ()
    bars: tuple[Bar, ...] = ()
    width: int = WIDTH_PX
    height: int = HEIGHT_PX
    left: int = LEFT_PX
    floor: int = HEIGHT_PX - BOTTOM_PX


def share_chart(frames: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Bars of the shares: as wide apart as the page allows, scrolled where it does not."""
    n_frames = len(frames)
    smallest, largest = BAR_PITCH_PX
    pitch = min(largest, max(smallest, SHARE_WIDTH_PX / n_frames))
    floor = SHARE_HEIGHT_PX - SHARE_MARGIN_PX
    tallest = floor - SHARE_MARGIN_PX
    highest = max(f["share"] for f in frames) or 1.0
    every = 1 if pitch >= 20 else 5  # below 20 px, numbers would touch
    bars = [
        Bar(
            frame=k,
            share=f["share"],
            x=round(k * pitch + 0.1 * pitch, 2),
            y=round(floor - tallest * f["share"] / highest, 2),
            width=round(0.8 * pitch, 2),
            height=round(tallest * f["share"] / highest, 2),
            middle=round((k + 0.5) * pitch, 2),
            labelled=k % every == 0,
        )
        for k, f in enumerate(frames)
    ]
    return {
        "width": round(n_frames * pitch),
        "height": SHARE_HEIGHT_PX,
        "floor": floor,
        "roomy": pitch >= ROOMY_PITCH_PX,
        "bars": bars,
    }


def line_charts(record: Record) -> list[Chart]:
    """Charts of registration, light, focus and sharpness, as far as they are known."""
    frames = record["frames"]
    used = [k for k, f in enumerate(frames) if f["used"]]
    n = len(frames)
    light = np.array([frames[k]["gain_ev"] for k in used])
    shown = [
        _Figures(
            title="Shift against the reference",
            unit="px",
            names=("x", "y"),
            frames=used,
            values=np.array([frames[k]["shift_px"] for k in used]),
        ),
        _Figures(
            title="Scale against the reference",
            unit="%",
            names=("scale",),
            frames=used,
            values=np.array([[100 * (frames[k]["scale"] - 1)] for k in used]),
        ),
        _Figures(
            title="Light added",
            unit="EV",
            names=("red", "green", "blue") if light.shape[1] == 3 else ("grey",),
            frames=used,
            values=light,
            is_smooth=False,
        ),
    ]
    distances = record["depth"].get("distance_mm")
    if distances:
        shown.append(
            _Figures(
                title="Focus distance",
                unit="mm",
                names=("distance",),
                frames=range(n),
                values=np.array(distances, dtype=float)[:, None],
                write=lambda value, digits: f"{value:.{digits}f}",
            )
        )
    charts = [_chart(figures, n) for figures in shown]
    if record.get("sharpness"):
        charts.append(_detail_chart(record["sharpness"]))
    return charts


def smooth_path(
    frames: Sequence[int], values: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64] | None:
    """Parabola through values by frame, outliers left out.

    Parameters
    ----------
    frames : sequence of int
        Frame numbers, rising.
    values : (n,) array
        One value each.

    Returns
    -------
    (n,) array or None
        The path at the frames; None for fewer than five frames.
    """
    if len(frames) < MIN_FRAMES_FOR_PATH:
        return None
    x = np.asarray(frames, dtype=float)
    path = np.polyval(np.polyfit(x, values, 2), x)
    off = np.abs(values - path)
    limit = OUTLIER_SIGMAS * MAD_TO_SIGMA * float(np.median(off))
    kept = off <= max(limit, np.sort(off)[MIN_FRAMES_FOR_PATH - 2])
    return np.polyval(np.polyfit(x[kept], values[kept], 2), x)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Figures:
    """What one chart shows: (n, series) values of n frames, and how they are written."""

    title: str
    unit: str
    names: Sequence[str]
    frames: Sequence[int]
    values: npt.NDArray[np.float64]
    is_smooth: bool = True
    write: Callable[[float, int], str] = signed


def _chart(shown: _Figures, n_frames: int) -> Chart:
    values = shown.values
    paths = [
        smooth_path(shown.frames, column) if shown.is_smooth else None
        for column in values.T
    ]
    drawn = [*values.T, *(p for p in paths if p is not None)]
    ticks, digits = _ticks(
        min(float(d.min()) for d in drawn), max(float(d.max()) for d in drawn)
    )

    def place(frame: float, value: float) -> str:
        return f"{_across(frame, n_frames):.1f},{_down(value, ticks):.1f}"

    series = []
    for i, name in enumerate(shown.names):
        outline = _MARKS[i % len(_MARKS)]
        marks = tuple(
            Mark(
                outline=f"M{place(k, v)}{outline}",
                words=f"Frame {k}, {name}: {shown.write(v, digits + 1)} {shown.unit}",
            )
            for k, v in zip(shown.frames, values[:, i], strict=True)
        )
        path = paths[i]
        line = values[:, i] if path is None else path
        series.append(
            Series(
                name=name,
                legend=f"M6,6{outline}",
                marks=marks,
                path=" ".join(
                    place(k, v) for k, v in zip(shown.frames, line, strict=True)
                ),
            )
        )
    return Chart(
        title=shown.title,
        axis=shown.unit,
        note=_farthest(shown, paths),
        rows=tuple((round(_down(t, ticks), 1), shown.write(t, digits)) for t in ticks),
        columns=_frame_ticks(n_frames),
        series=tuple(series),
    )


def _farthest(shown: _Figures, paths: Sequence[npt.NDArray[np.float64] | None]) -> str:
    """Say which value lies farthest from the smooth path, or how far they spread."""
    known = [p for p in paths if p is not None]
    if len(known) < len(paths):
        spread = float(np.ptp(shown.values, axis=0).max())
        return f"Spread over the frames: {spread:.2g} {shown.unit}."
    off = np.abs(shown.values - np.stack(known, axis=1))
    k, i = divmod(int(off.argmax()), off.shape[1])
    which = f" in {shown.names[i]}" if len(shown.names) > 1 else ""
    return (
        f"Lines: smooth path. Farthest from it: frame {shown.frames[k]}, "
        f"{off[k, i]:.2g} {shown.unit}{which}."
    )


def _detail_chart(sharpness: Mapping[str, Any]) -> Chart:
    shares = sharpness["frames"]
    ticks, _ = _ticks(0.0, max(100.0, *(100 * s for s in shares)))
    n = len(shares)
    floor = HEIGHT_PX - BOTTOM_PX
    pitch = (WIDTH_PX - LEFT_PX - RIGHT_PX) / n
    bars = tuple(
        Bar(
            frame=k,
            share=s,
            x=round(LEFT_PX + (k + 0.1) * pitch, 2),
            y=round(_down(100 * s, ticks), 2),
            width=round(0.8 * pitch, 2),
            height=round(floor - _down(100 * s, ticks), 2),
            middle=round(LEFT_PX + (k + 0.5) * pitch, 2),
            labelled=False,
        )
        for k, s in enumerate(shares)
    )
    return Chart(
        title="Fine detail of each frame alone",
        axis="% of the fused picture",
        note=f"The fused picture holds {sharpness['gain']:.1f} times the detail of the "
        f"best single frame, {sharpness['best']}.",
        rows=tuple((round(_down(t, ticks), 1), f"{t:g}") for t in ticks),
        columns=_frame_ticks(n),
        bars=bars,
    )


def _across(frame: float, n_frames: int) -> float:
    return LEFT_PX + (frame + 0.5) * (WIDTH_PX - LEFT_PX - RIGHT_PX) / n_frames


def _down(value: float, ticks: Sequence[float]) -> float:
    floor = HEIGHT_PX - BOTTOM_PX
    return floor - (value - ticks[0]) / (ticks[-1] - ticks[0]) * (floor - TOP_PX)


def _ticks(low: float, high: float) -> tuple[list[float], int]:
    """Round values round a range, and the decimals to write them with."""
    span = max(high - low, 1e-3)
    rough = span / TICKS
    power = 10.0 ** np.floor(np.log10(rough))
    step = power * next(m for m in (1, 2, 5, 10) if m * power >= rough * 0.999)
    first, last = np.floor(low / step + 1e-9), np.ceil(high / step - 1e-9)
    last = max(last, first + 1)
    digits = max(0, -int(np.floor(np.log10(step) + 1e-9)))
    return [float(k * step) for k in np.arange(first, last + 1)], digits


def _frame_ticks(n_frames: int) -> tuple[tuple[float, str], ...]:
    every = next(e for e in (1, 2, 5, 10, 20, 50, 10**6) if n_frames / e <= 16)
    return tuple(
        (round(_across(k, n_frames), 1), str(k)) for k in range(0, n_frames, every)
    )
