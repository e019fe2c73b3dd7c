"""``stacker plan``: before the first frame, from optics alone."""

import json
import re
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from stacker.cli.group import start_logging, verbosity, verbosity_options
from stacker.cli.options import SettingsOptions
from stacker.errors import InputError
from stacker.settings import PlanSettings

if TYPE_CHECKING:
    from stacker.planning import (
        BlurCriterion,
        BracketPlan,
        Camera,
        CloseUp,
        Distances,
        Rig,
    )

__all__ = ["plan"]

SETTINGS = SettingsOptions(
    PlanSettings,
    renamed={
        "n_frames": "frames",
        "widest_f_number": "widest",
        "smallest_f_number": "smallest",
        "wavelength_nm": "wavelength",
        "lights_f_number": "lights_at",
        "recycle_s": "recycle",
        "settle_s": "settle",
        "exposure_s": "exposure",
    },
)

_MM_IN = {"um": 1e-3, "\u00b5m": 1e-3, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"


def _length(text: str) -> float:
    """Read a length with its unit, in mm; a bare number is in mm."""
    found = re.fullmatch(_NUMBER + r"\s*([a-z\u00b5]*)", text.strip().lower())
    unit = (found[2] or "mm") if found else ""
    if not found or unit not in _MM_IN:
        msg = f"{text!r} is no length: expected one such as 35mm, 80cm or 1.2m"
        raise click.BadParameter(msg)
    return float(found[1]) * _MM_IN[unit]


def _far_length(text: str) -> float:
    """Read a length that may be infinite."""
    return inf if text.strip().lower() in ("inf", "infinity") else _length(text)


def _size(text: str) -> tuple[float, float | None]:
    """Read a width and a height, or a width alone."""
    found = re.fullmatch(rf"{_NUMBER}(?:\s*x\s*{_NUMBER})?", text.strip().lower())
    if not found:
        msg = f"{text!r} is no size: expected WIDTHxHEIGHT, such as 44x33"
        raise click.BadParameter(msg)
    return float(found[1]), None if found[2] is None else float(found[2])


_EXAMPLES = """\b
Examples:
  A still life from 70 to 82 cm, a medium-format camera:
    stacker plan --sensor 44x33 --pixels 11656 --focal-length 90 \\
        --near 70cm --far 82cm
  The same at f/11, the lights being set for f/13, with a figure:
    stacker plan --sensor 44x33 --pixels 11656 --focal-length 90 \\
        --near 70cm --far 82cm --f-number 11 --lights-at 13 --figure plan.svg
  A ring at life size, the camera on a rail:
    stacker plan --sensor 44x33 --pixels 11656 --magnification 1 --depth 8mm
  The sharpest aperture for 20 frames:
    stacker plan --sensor 36x24 --pixels 9504 --focal-length 100 \\
        --near 45cm --far 52cm --frames 20
"""


@click.command(
    short_help="Plan a bracket from lens, camera and subject.", epilog=_EXAMPLES
)
@click.option(
    "--sensor",
    required=True,
    type=_size,
    metavar="WIDTHxHEIGHT",
    help="Sensor, in mm: 44x33, 36x24, 53.4x40.",
)
@click.option(
    "--pixels",
    type=_size,
    metavar="WIDTH[xHEIGHT]",
    help="Picture size: 11656, or 11656x8742. Or give --pitch.",
)
@click.option(
    "--pitch",
    type=_length,
    metavar="LENGTH",
    help="Pixel pitch, in place of --pixels: 3.76um.",
)
@click.option(
    "--focal-length",
    type=_length,
    metavar="LENGTH",
    help="Of the lens. Needed with --near and --far, optional with --magnification.",
)
@click.option(
    "--pupil-magnification",
    type=float,
    default=1.0,
    show_default=True,
    help="Exit pupil over entrance pupil, by diameter, where the lens's data sheet "
    "gives it; counts close up.",
)
@click.option(
    "--near",
    type=_length,
    metavar="LENGTH",
    help="Nearest point that must be sharp: 70cm.",
)
@click.option(
    "--far",
    type=_far_length,
    metavar="LENGTH",
    help="Farthest point that must be sharp: 820mm, 3m, inf.",
)
@click.option(
    "--measured-from",
    type=click.Choice(["lens", "sensor"]),
    default="lens",
    show_default=True,
    help="Where --near and --far are measured from. The sensor's place is marked on "
    "most cameras; the focus scale of a lens counts from there.",
)
@click.option(
    "--magnification",
    type=float,
    help="In place of --near and --far: size on the sensor over true size, 0.5 for 1:2, "
    "in the middle of the depth.",
)
@click.option(
    "--depth",
    type=_length,
    metavar="LENGTH",
    help="With --magnification: depth of the subject, 20mm.",
)
@click.option(
    "--focus-by",
    type=click.Choice(["lens", "rail"]),
    help="With --magnification: turn the focus of the lens, or move the camera on a rail. "
    "[default: lens where the focal length is given, else rail]",
)
@click.option(
    "--na",
    type=float,
    metavar="NUMBER",
    help="Numerical aperture of a microscope objective, in place of an f-number.",
)
@click.option(
    "--medium-index",
    type=float,
    default=1.0,
    show_default=True,
    help="Refractive index between subject and objective: 1.51 for oil.",
)
@click.option(
    "--coc",
    type=_length,
    metavar="LENGTH",
    help="What still counts as sharp, by circle of confusion on the sensor: 0.03mm. In "
    "place of --blur-px.",
)
@click.option(
    "--print-width",
    type=_length,
    metavar="LENGTH",
    help="What still counts as sharp, by the print it is for: its width, 60cm. In place "
    "of --blur-px.",
)
@click.option(
    "--viewing-distance",
    type=_length,
    metavar="LENGTH",
    help="With --print-width: the distance it is seen from. [default: 25cm]",
)
@SETTINGS
@click.option(
    "--figure",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="NAME.svg|NAME.png",
    help="Draw the subject's depth, each frame's sharp zone and the overlaps.",
)
@click.option("--overwrite", is_flag=True, help="Replace a figure that is there.")
@click.option("--json", "as_json", is_flag=True, help="Print the plan as JSON.")
@verbosity_options
def plan(figure: Path | None, overwrite: bool, as_json: bool, **values: Any) -> None:
    """Plan a bracket: aperture, frames, focus distances, light and time.

    Say what the camera and the lens are and between which points everything must be
    sharp. Without --f-number the plan is made for the aperture with the best total
    sharpness, defocus half-way between two frames and diffraction taken together.
    Frames are numbered from 0, as they are in what check and fuse say.

    A length is a number with its unit (um, mm, cm, m, in); without a unit it is in mm.
    """
    settings = SETTINGS.take(values)
    start_logging(verbosity(click.get_current_context()))
    if figure is not None and figure.suffix.lower() not in (".svg", ".png"):
        msg = f"--figure {figure}: the name must end in .svg or .png"
        raise click.UsageError(msg)

    from stacker.planning import plan_bracket

    camera = _camera(values["sensor"], values["pixels"], values["pitch"])
    subject, rig = _subject_and_rig(values)
    answer = plan_bracket(
        camera,
        rig,
        subject,
        criterion=_criterion(camera, settings, values),
        settings=settings,
    )
    if figure is not None:
        _write_figure(answer, figure, overwrite=overwrite)
    if as_json:
        click.echo(json.dumps(answer.to_dict(), indent=2, allow_nan=False))
        return

    from stacker.cli.plan_text import plan_text

    click.echo(plan_text(answer), nl=False)
    if figure is not None:
        click.echo(f"\nFigure: {figure}")


def _camera(
    sensor: tuple[float, float | None],
    pixels: tuple[float, float | None] | None,
    pitch_mm: float | None,
) -> "Camera":
    from stacker.planning import Camera

    width_mm, height_mm = sensor
    if height_mm is None:
        msg = "--sensor needs width and height, such as 44x33"
        raise click.UsageError(msg)
    if (pixels is None) == (pitch_mm is None):
        msg = (
            "give either --pixels (11656) or --pitch (3.76um), so that blur has a size"
        )
        raise click.UsageError(msg)
    if pixels is None:
        if not pitch_mm:
            msg = "--pitch is 0: expected the distance of two pixels, such as 3.76um"
            raise InputError(msg)
        pixels = width_mm / pitch_mm, height_mm / pitch_mm
    width, height = pixels
    if not width_mm or not height_mm or not width:
        msg = "--sensor and --pixels must be greater than 0"
        raise InputError(msg)
    return Camera(
        sensor_width_mm=width_mm,
        sensor_height_mm=height_mm,
        width_px=round(width),
        height_px=round(height if height is not None else width * height_mm / width_mm),
    )


def _subject_and_rig(values: dict[str, Any]) -> tuple["Distances | CloseUp", "Rig"]:
    from stacker.planning import CloseUp, Rig

    rig = Rig(
        focal_length_mm=values["focal_length"],
        pupil_magnification=values["pupil_magnification"],
        numerical_aperture=values["na"],
        medium_index=values["medium_index"],
    )
    distances = values["near"], values["far"]
    close_up = values["magnification"], values["depth"]
    if None not in distances and close_up == (None, None):
        if values["focus_by"] == "rail":
            msg = "--focus-by rail goes with --magnification and --depth"
            raise click.UsageError(msg)
        return _distances(rig, *distances, values["measured_from"]), rig
    if None in close_up or distances != (None, None):
        msg = (
            "say what must be sharp: either --near and --far, or --magnification and "
            "--depth"
        )
        raise click.UsageError(msg)
    subject = CloseUp(magnification=close_up[0], depth_mm=close_up[1])
    lens_is_known = rig.focal_length_mm is not None and rig.numerical_aperture is None
    focus_by: Literal["lens", "rail"] = values["focus_by"] or (
        "lens" if lens_is_known else "rail"
    )
    if focus_by == "rail":
        return subject, rig
    if rig.focal_length_mm is None:
        msg = "--focus-by lens needs a --focal-length"
        raise click.UsageError(msg)
    return subject.distances(rig.focal_length_mm), rig


def _distances(
    rig: "Rig", near_mm: float, far_mm: float, measured_from: str
) -> "Distances":
    from stacker.optics import lens_distance
    from stacker.planning import Distances

    if rig.focal_length_mm is None:
        msg = "--near and --far need a --focal-length"
        raise click.UsageError(msg)
    if near_mm <= rig.focal_length_mm:
        msg = (
            f"--near is {near_mm:g} mm, within the focal length "
            f"({rig.focal_length_mm:g} mm): is a unit missing (70cm, 0.7m)?"
        )
        raise InputError(msg)
    if measured_from == "sensor":
        lens = rig.lens(1.0)  # any aperture: only the focal length counts
        near_mm, far_mm = lens_distance(lens, near_mm), lens_distance(lens, far_mm)
    return Distances(near_mm=near_mm, far_mm=far_mm)


def _criterion(
    camera: "Camera", settings: PlanSettings, values: dict[str, Any]
) -> "BlurCriterion":
    from stacker.optics import READING_DISTANCE_MM
    from stacker.planning import BlurCriterion

    ctx = click.get_current_context()
    by_pixels = ctx.get_parameter_source("blur_px") is not _DEFAULT
    coc_mm, print_mm = values["coc"], values["print_width"]
    seen_from_mm = values["viewing_distance"]
    if by_pixels + (coc_mm is not None) + (print_mm is not None) > 1:
        msg = "give one of --blur-px, --coc and --print-width: each says what is sharp"
        raise click.UsageError(msg)
    if seen_from_mm is not None and print_mm is None:
        msg = "--viewing-distance goes with --print-width"
        raise click.UsageError(msg)
    if coc_mm is not None:
        return BlurCriterion.from_coc(camera, coc_mm)
    if print_mm is not None:
        seen_from_mm = READING_DISTANCE_MM if seen_from_mm is None else seen_from_mm
        return BlurCriterion.from_print(camera, print_mm, seen_from_mm)
    return BlurCriterion.from_pixels(camera, settings.blur_px)


_DEFAULT = click.core.ParameterSource.DEFAULT


def _write_figure(answer: "BracketPlan", path: Path, *, overwrite: bool) -> None:
    from stacker.files.single import write_whole
    from stacker.plan_figure import plan_figure

    drawing = plan_figure(answer)
    is_svg = path.suffix.lower() == ".svg"
    data = drawing.to_svg().encode() if is_svg else drawing.to_png()
    write_whole(path, data, overwrite=overwrite)
