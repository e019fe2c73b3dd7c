"""``stacker fuse``: a bracket in, a master with depth, coverage and report out."""

import sys
from pathlib import Path
from typing import Any

import click

from stacker.cli.group import LOOK, start_logging, verbosity, verbosity_options
from stacker.cli.options import SettingsOptions
from stacker.cli.progress import progress
from stacker.errors import OutputExistsError
from stacker.events import OnEvent
from stacker.settings import (
    AlignSettings,
    FuseSettings,
    HandoffSettings,
    OutputSettings,
    ReadSettings,
)

__all__ = ["fuse"]

READ = SettingsOptions(ReadSettings, renamed={"raw_profile": "profile"})
ALIGN = SettingsOptions(
    AlignSettings, renamed={"enabled": "align", "normalise_light": "light"}
)
FUSE = SettingsOptions(
    FuseSettings, left_out={"align", "strict"}, renamed={"memory_gib": "memory"}
)
OUTPUT = SettingsOptions(
    OutputSettings,
    renamed={
        "tiles": "tiff_tiles",
        "page_tiles": "tiles",
        "near_mm": "near",
        "far_mm": "far",
    },
)


@click.command(short_help="Fuse the frames of a bracket into one picture.")
@click.argument("frames", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR/NAME.tif",
    help="Where the master goes; the other files are named after it.",
)
@READ
@ALIGN
@FUSE
@OUTPUT
@click.option(
    "--from-report",
    type=click.Path(path_type=Path),
    metavar="REPORT.json",
    help="Instead of FRAMES: fuse those of a report again, with its settings where no "
    "option says otherwise, and lay its patches over the result.",
)
@click.option(
    "--handoff",
    is_flag=True,
    help="Write the retoucher's folder too, as the command handoff does.",
)
@click.option(
    "--strict",
    is_flag=True,
    help="Exit with status 3 when a person should look at the result.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print the record of the fusion on stdout."
)
@verbosity_options
def fuse(
    frames: tuple[Path, ...],
    output: Path,
    from_report: Path | None,
    handoff: bool,
    strict: bool,
    as_json: bool,
    **values: Any,
) -> None:
    """Fuse the frames of a bracket into one picture.

    FRAMES are a folder, a pattern, or two and more files (TIFF, PNG, JPEG) in the order
    of their focus; near to far or far to near does not matter.

    Writes NAME.tif, the 16-bit master; NAME.depth.tif, NAME.confidence.tif and
    NAME.coverage.tif, maps of the same size; NAME.report.html for people and
    NAME.report.json for programs.
    """
    ctx = click.get_current_context()
    if bool(frames) == (from_report is not None):
        msg = (
            "give FRAMES, or --from-report"
            if frames
            else "Missing argument 'FRAMES...'."
        )
        raise click.UsageError(msg)
    said = verbosity(ctx)
    if from_report is not None:
        _fill_from_report(from_report, values, ctx)
    read, written = READ.take(values), OUTPUT.take(values)
    align = ALIGN.take(values)
    settings = FUSE.take(values, align=align)
    start_logging(said)
    folder = output.with_name(output.stem + ".handoff")
    if handoff and folder.exists() and not written.overwrite:  # said before the work
        msg = f"{folder}: exists already (overwriting was not asked for)"
        raise OutputExistsError(msg)

    _load_compiler()
    from stacker.report.record import record_json

    with progress(said) as on_event:
        if from_report is None:
            from stacker.pipeline import fuse_bracket

            report = fuse_bracket(
                frames, output, settings, read=read, outputs=written, on_event=on_event
            )
        else:
            from stacker.remake import Recipe, fuse_from_report

            recipe = Recipe(settings=settings, read=read, outputs=written)
            report = fuse_from_report(from_report, output, recipe, on_event=on_event)
        if handoff:
            _hand_off(output, written, on_event)
    if as_json:
        click.echo(record_json(report.record), nl=False)
    elif not said.quiet:
        _print_summary(report.record)
    if strict and report.needs_a_look:
        ctx.exit(LOOK)


def _load_compiler() -> None:
    """Load numba without the BLAS that it looks for in scipy: no kernel uses one.

    An eighth of a second. Only here: a script that imports the library may use it.
    """
    blas: Any = "scipy.linalg.cython_blas"
    if blas in sys.modules:
        return
    sys.modules[blas] = None  # type: ignore[assignment]  # that import fails at once
    try:
        import numba.np.arraymath  # noqa: F401
    finally:
        del sys.modules[blas]


def _fill_from_report(report: Path, values: dict[str, Any], ctx: click.Context) -> None:
    """Take the settings of a report for all that no option was given for."""
    from stacker.remake import recipe_of

    recipe = recipe_of(report)
    READ.fill(values, recipe.read, ctx)
    ALIGN.fill(values, recipe.settings.align, ctx)
    FUSE.fill(values, recipe.settings, ctx)
    # Whether files may be replaced is asked anew every time.
    overwrite = values["overwrite"]
    OUTPUT.fill(values, recipe.outputs, ctx)
    values["overwrite"] = overwrite


def _hand_off(output: Path, written: OutputSettings, on_event: OnEvent) -> None:
    from stacker.handoff.export import write_handoff
    from stacker.handoff.opened import open_result

    settings = HandoffSettings(
        compression=written.compression, overwrite=written.overwrite
    )
    write_handoff(open_result(output), settings, on_event=on_event)


def _print_summary(record: dict[str, Any]) -> None:
    from stacker.report.wording import visible

    click.echo(visible(record["verdict"]["message"]))
    for warning in record["warnings"]:
        line = f"{warning['severity']}: {warning['message']} {warning['action']}"
        click.echo("  " + visible(line.rstrip()))
    for kind in ("master", "report_html"):
        click.echo(visible(record["outputs"][kind]))
