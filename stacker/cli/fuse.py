"""``stacker fuse``: a bracket in, a master with depth, coverage and report out."""

from pathlib import Path
from typing import Any

import click

from stacker.cli.group import LOOK, start_logging, verbosity, verbosity_options
from stacker.cli.options import SettingsOptions
from stacker.cli.progress import progress
from stacker.settings import AlignSettings, FuseSettings, OutputSettings, ReadSettings

__all__ = ["fuse"]

READ = SettingsOptions(ReadSettings)
ALIGN = SettingsOptions(
    AlignSettings, renamed={"enabled": "align", "normalise_light": "light"}
)
FUSE = SettingsOptions(FuseSettings, left_out={"align", "strict"})
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
@click.argument("frames", nargs=-1, required=True, type=click.Path(path_type=Path))
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
    read, written = READ.take(values), OUTPUT.take(values)
    align = ALIGN.take(values)
    settings = FUSE.take(values, align=align)
    ctx = click.get_current_context()
    said = verbosity(ctx)
    start_logging(said)

    from stacker.pipeline import fuse_bracket
    from stacker.report.record import record_json

    with progress(said) as on_event:
        report = fuse_bracket(
            frames, output, settings, read=read, outputs=written, on_event=on_event
        )
    if as_json:
        click.echo(record_json(report.record), nl=False)
    elif not said.quiet:
        _print_summary(report.record)
    if strict and report.needs_a_look:
        ctx.exit(LOOK)


def _print_summary(record: dict[str, Any]) -> None:
    from stacker.report.wording import visible

    click.echo(visible(record["verdict"]["message"]))
    for warning in record["warnings"]:
        line = f"{warning['severity']}: {warning['message']} {warning['action']}"
        click.echo("  " + visible(line.rstrip()))
    for kind in ("master", "report_html"):
        click.echo(visible(record["outputs"][kind]))
