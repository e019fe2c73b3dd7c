"""A plan as text: 80 columns, plain enough for a pipe or a note taped to the stand."""

import textwrap
from collections.abc import Iterable, Iterator
from math import floor, isfinite, isinf, log10

from stacker.optics import READING_DISTANCE_MM, sensor_distance
from stacker.planning import AperturePlan, BracketPlan, Distances, FocusPosition
from stacker.planning.wording import (
    bytes_text,
    figures_text,
    length_text,
    overlap_text,
    stops_text,
    time_text,
)

__all__ = ["plan_text"]

_WIDTH = 80
_LABEL = 14

_UNITS = (("m", 1000.0, 3000.0), ("mm", 1.0, 1.0), ("µm", 0.001, 0.0))
"""Unit, what it is in mm, and the longest length of a table from which it is used."""

_ROUNDING = 1e-9

_FULL_STOPS = (1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0, 64.0)
"""ISO 517 nominal f-numbers: the rows of the table; `--json` has all thirds."""


def plan_text(plan: BracketPlan) -> str:
    """Write a plan as a readable text with tables; ends with a line feed."""
    parts = (
        [_headline(plan), ""],
        _given(plan),
        ["", "BY APERTURE", *_apertures(plan)],
        ["", "THE FRAMES", *_frames(plan)],
        ["", "LIGHT, TIME, RESULT", *_work(plan)],
        ["", "NOTES", *_notes(plan)],
    )
    return "\n".join(line.rstrip() for part in parts for line in part) + "\n"


def _labelled(label: str, text: str) -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=f"  {label:<{_LABEL}}",
        subsequent_indent=" " * (_LABEL + 2),
        break_on_hyphens=False,
    )


def _percent(share: float) -> str:
    return f"{share:.0%}" if share >= 0.1 else f"{share:.1%}"


def _headline(plan: BracketPlan) -> str:
    chosen, subject = plan.chosen, plan.subject
    frames = "1 frame" if chosen.n_frames == 1 else f"{chosen.n_frames} frames"
    if isinstance(subject, Distances):
        reach = f"{_limit(subject.near_mm)} to {_limit(subject.far_mm)}"
    else:
        reach = (
            f"{length_text(subject.depth_mm)} deep at magnification "
            f"{subject.magnification:g}"
        )
    return f"{frames} at {_aperture(plan)}: {reach}"


def _limit(distance_mm: float) -> str:
    return length_text(distance_mm, figures=4)


def _aperture(plan: BracketPlan) -> str:
    if plan.chosen.f_number is None:
        return f"NA {plan.rig.numerical_aperture:g}"
    return f"f/{plan.chosen.f_number:g}"


_CRITERION_OPTIONS = {
    "pixels": "--blur-px",
    "print": "--print-width",
    "circle of confusion": "--coc",
}


def _given(plan: BracketPlan) -> Iterator[str]:
    camera, rig = plan.camera, plan.rig
    yield from _labelled(
        "camera",
        f"{camera.sensor_width_mm:g} x {camera.sensor_height_mm:g} mm, "
        f"{camera.width_px} x {camera.height_px} px ({camera.n_pixels / 1e6:.1f} MP), "
        f"pixel pitch {length_text(camera.pitch_mm)}",
    )
    if rig.focal_length_mm is not None:
        yield from _labelled(
            "lens",
            f"{rig.focal_length_mm:g} mm, pupil magnification "
            f"{rig.pupil_magnification:g}",
        )
    yield from _labelled("subject", _subject(plan))
    yield from _labelled("sharp means", _criterion(plan))
    if plan.hyperfocal_mm is not None:
        yield from _labelled(
            "hyperfocal",
            f"{length_text(plan.hyperfocal_mm)} at {_aperture(plan)}: focused there, "
            f"sharp from {length_text(plan.hyperfocal_mm / 2)} to infinity",
        )


def _subject(plan: BracketPlan) -> str:
    subject, near, far = plan.subject, plan.positions[0], plan.positions[-1]
    if isinstance(subject, Distances):
        lens = plan.rig.lens(1.0)  # at any aperture
        limits = subject.near_mm, subject.far_mm
        from_sensor = [_limit(sensor_distance(lens, x)) for x in limits]
        depth_mm = subject.far_mm - subject.near_mm
        depth = "" if isinf(depth_mm) else f"{length_text(depth_mm)} deep; "
        return (
            f"{depth}{' to '.join(map(_limit, limits))} from the lens, "
            f"{' to '.join(from_sensor)} from the sensor; magnification "
            f"{figures_text(near.magnification)} (near) to "
            f"{figures_text(far.magnification)}"
        )
    focal_mm = plan.rig.focal_length_mm
    place = ""
    if focal_mm is not None:
        distance_mm = focal_mm * (1 + 1 / subject.magnification)
        place = f", {length_text(distance_mm)} from the lens to the plane in focus"
    return (
        f"{length_text(subject.depth_mm)} deep at magnification "
        f"{subject.magnification:g}, camera (or stage) on a rail{place}"
    )


def _criterion(plan: BracketPlan) -> str:
    criterion = plan.criterion
    return (
        f"blur discs of at most {length_text(criterion.coc_mm)} on the sensor = "
        f"{figures_text(criterion.pixels)} pixels, which the eye takes for points on a "
        f"print {length_text(criterion.print_width_mm)} wide seen from "
        f"{length_text(READING_DISTANCE_MM)} (twice as wide from twice as far); set by "
        f"{_CRITERION_OPTIONS[criterion.source]}"
    )


def _table(
    heads: Iterable[tuple[str, str]], rows: Iterable[Iterable[str]]
) -> list[str]:
    """Set columns flush right under two lines of heading."""
    columns = list(zip(*rows, strict=True))
    tops = list(heads)
    widths = [
        max(len(top), len(low), *map(len, column))
        for (top, low), column in zip(tops, columns, strict=True)
    ]
    lines = [
        [top for top, _ in tops],
        [low for _, low in tops],
        *([*row] for row in zip(*columns, strict=True)),
    ]
    gap = "  " if sum(widths) + 2 * len(widths) <= _WIDTH else " "
    return [
        gap + gap.join(cell.rjust(w) for cell, w in zip(line, widths, strict=True))
        for line in lines
    ]


_APERTURE_HEADS = (
    ("", ""),
    ("", "f/"),
    ("", "eff."),
    ("one frame", "holds"),
    ("", "frames"),
    ("defocus", "µm"),
    ("Airy", "µm"),
    ("both", "µm"),
    ("", "px"),
    ("MTF50", "c/px"),
    ("of", "best"),
    ("light,", "stops"),
)


def _apertures(plan: BracketPlan) -> Iterator[str]:
    shown = [
        a
        for a in plan.apertures
        if a in (plan.chosen, plan.sharpest)
        or a.f_number in (*_FULL_STOPS, plan.settings.lights_f_number)
    ]
    yield from _table(_APERTURE_HEADS, [_aperture_row(plan, a) for a in shown])
    yield from textwrap.wrap(
        "> planned, * best total sharpness. eff.: f-number at work at the nearest focus. "
        "frames: as the overlap asks. defocus: blur disc half-way between two frames; "
        "both: the disc as soft as that and diffraction together. MTF50: with the "
        "pixels, at the softest point; the lens taken as perfect. light: more (+) or "
        "less (-) than "
        + (
            "as planned."
            if plan.settings.lights_f_number is None
            else f"at f/{plan.settings.lights_f_number:g}, for which it is set now."
        ),
        _WIDTH,
        initial_indent="  ",
        subsequent_indent="  ",
        break_on_hyphens=False,
    )
    if plan.one_frame is not None:
        yield ""
        yield from _labelled("one frame?", _one_frame(plan))


def _aperture_row(plan: BracketPlan, a: AperturePlan) -> list[str]:
    marks = ">" * (a == plan.chosen) + "*" * (a == plan.sharpest)
    is_short = a.n_frames < a.n_frames_needed
    frames = f"{a.n_frames} of {a.n_frames_needed}" if is_short else str(a.n_frames)
    return [
        marks,
        "-" if a.f_number is None else f"{a.f_number:g}",
        f"{a.effective_f_number:.1f}",
        length_text(a.depth_of_field_mm),
        frames,
        f"{a.defocus_mm * 1000:.1f}",
        f"{a.airy_mm * 1000:.1f}",
        f"{a.blur_mm * 1000:.1f}",
        f"{a.blur_px:.1f}",
        f"{a.mtf50_cycles_per_px:.3f}",
        f"{a.of_best:.0%}",
        "-" if a.light is None else stops_text(a.light.set_stops),
    ]


def _one_frame(plan: BracketPlan) -> str:
    one = plan.one_frame
    if one is None:
        return ""
    needed, smallest = one.needed_f_number, plan.settings.smallest_f_number
    if plan.chosen.n_frames == 1 and plan.chosen.one_frame_covers:
        return f"Yes: f/{plan.chosen.f_number:g} holds the whole depth."
    cost = (
        f"there the Airy disc is {figures_text(one.airy_mm * 1000)} µm "
        f"({figures_text(one.airy_mm / plan.camera.pitch_mm)} px) and MTF50 "
        f"at the ends {_percent(one.of_bracket)} of the bracket's"
    )
    if needed <= smallest:
        return f"It would do from f/{figures_text(needed)} on; {cost}."
    return (
        f"No: it would take f/{figures_text(needed)}, beyond f/{smallest:g}; {cost}. The best one "
        f"frame can do is f/{one.sharpest_f_number:g}, with "
        f"{_percent(one.sharpest_of_bracket)} of the bracket's MTF50."
    )


def _frames(plan: BracketPlan) -> Iterator[str]:
    chosen = plan.chosen
    if chosen.n_frames > 1:
        text = f"{length_text(chosen.near_step_mm)}, even"
        if isinstance(plan.subject, Distances):
            text = (
                f"{length_text(chosen.near_step_mm)} (near) to "
                f"{length_text(chosen.far_step_mm)}, even in 1/distance"
            )
        yield from _labelled("steps", f"{text}; {overlap_text(chosen)}")
        yield from _labelled("breathing", _breathing(plan))
        yield ""
    yield from _table(*_positions(plan))


def _positions(
    plan: BracketPlan,
) -> tuple[list[tuple[str, str]], list[list[str]]]:
    """Heads and rows of the table of frames; all lengths in one unit."""
    by_lens = isinstance(plan.subject, Distances)
    lengths = [_lengths(p, by_lens=by_lens) for p in plan.positions]
    longest = max(x for row in lengths for x in row if isfinite(x))
    unit, mm = next((u, mm) for u, mm, least in _UNITS if longest >= least)
    finest = plan.chosen.near_step_mm or plan.chosen.depth_of_field_mm
    # A lens is focused by eye, a rail is set by its scale.
    decimals = max(0, (1 if by_lens else 2) - floor(log10(finest / mm)))
    rows = [
        [str(i), *("infinity" if isinf(x) else f"{x / mm:.{decimals}f}" for x in row)]
        for i, row in enumerate(lengths)
    ]
    places = (
        [("focus from", "lens"), ("from", "sensor"), ("from", "frame 0")]
        if by_lens
        else [("rail", "travel")]
    )
    heads = [("", "frame"), *places, ("sharp", "from"), ("", "to")]
    return [
        (top, f"{low} {unit}" if low != "frame" else low) for top, low in heads
    ], rows


def _lengths(position: FocusPosition, *, by_lens: bool) -> list[float]:
    zone = [position.sharp.near_mm, position.sharp.far_mm]
    if not by_lens:
        return [position.travel_mm, *zone]
    return [
        position.distance_mm or 0.0,
        position.from_sensor_mm or 0.0,
        position.travel_mm,
        *zone,
    ]


def _breathing(plan: BracketPlan) -> str:
    growth = plan.breathing
    if growth is None:
        return "not known without the focal length"
    edge_px = round(growth * plan.camera.width_px / 2)
    if isinstance(plan.subject, Distances):
        return (
            f"the picture grows by {growth:.2%} from the far to the near focus, {edge_px} "
            "px at its left and right edge: compose at the near focus, where the view is "
            "narrowest. Lenses that focus by moving inner groups differ, either way."
        )
    return (
        f"the camera comes closer by the travel, and the front of the subject grows by "
        f"{growth:.2%}, {edge_px} px at the left and right edge: leave that much room."
    )


def _work(plan: BracketPlan) -> Iterator[str]:
    yield from _labelled("light", _light(plan))
    if plan.rig.numerical_aperture is None:
        near, far = plan.extension_loss_stops
        span = f"{near:.2f}" if near == far else f"{near:.2f} (near) to {far:.2f}"
        yield from _labelled(
            "close focus",
            f"takes {span} stops of light: a meter behind the lens sees it, a hand-held "
            "one does not",
        )
    s, n, fusion = plan.settings, plan.chosen.n_frames, plan.fusion
    wait = max(s.recycle_s, s.settle_s)
    yield from _labelled(
        "shooting",
        f"{time_text(plan.chosen.capture_s)}: {n} x {s.exposure_s:g} s and {n - 1} "
        f"wait{'s' * (n != 2)} "
        f"of {wait:g} s (flash ready {s.recycle_s:g} s, focus and stand at rest "
        f"{s.settle_s:g} s)",
    )
    yield from _labelled(
        "result",
        f"{plan.camera.width_px} x {plan.camera.height_px} px, 16 bits: frames "
        f"{bytes_text(fusion.frames_bytes)}, master {bytes_text(fusion.master_bytes)}, "
        f"maps {bytes_text(fusion.maps_bytes)}, uncompressed",
    )
    yield from _labelled(
        "fusion",
        f"about {time_text(fusion.time_s)} and {bytes_text(fusion.peak_bytes)} of memory "
        "on a laptop",
    )


def _light(plan: BracketPlan) -> str:
    set_for, to, change = (
        plan.settings.lights_f_number,
        plan.chosen.f_number,
        plan.chosen.light,
    )
    if change is None or to is None:
        return "no aperture to change"
    if set_for is None:
        return (
            "set and metered for this aperture; say --lights-at to have the change from "
            "another one"
        )
    if set_for == to:
        return f"set for f/{to:g} already"
    verb = "raise" if change.set_stops > 0 else "lower"
    amount = stops_text(abs(change.set_stops)).lstrip("+")
    thirds = stops_text(change.third_stops / 3)
    by_numbers = f"by the numbers engraved it is {change.engraved_stops:+.2f}"
    why = (
        "set the nominal thirds: the diaphragm moves in true thirds of a stop, only the "
        "engraving is rounded"
        if abs(change.set_stops - change.third_stops / 3) < _ROUNDING
        else "set the exact change: one of the numbers is on no third-stop scale"
    )
    return (
        f"{verb} the lights by {amount} stop (on a dial in tenths "
        f"{change.set_stops:+.1f}) from f/{set_for:g} to f/{to:g}. In nominal thirds "
        f"{thirds}, {by_numbers}; {why}."
    )


def _notes(plan: BracketPlan) -> Iterator[str]:
    for note in (*plan.notes, plan.caution):
        yield from textwrap.wrap(
            note,
            _WIDTH,
            initial_indent="  - ",
            subsequent_indent="    ",
            break_on_hyphens=False,
        )
