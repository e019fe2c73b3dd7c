"""``stacker patch``: do a place again with another frame, or take that back."""

from pathlib import Path
from typing import Any

import click

from stacker.cli.group import start_logging, verbosity, verbosity_options
from stacker.cli.options import SettingsOptions
from stacker.cli.progress import progress
from stacker.settings import PatchSettings

__all__ = ["patch"]

PATCH = SettingsOptions(PatchSettings)


@click.command(short_help="Do a place again with another frame.")
@click.argument("result", type=click.Path(path_type=Path))
@click.option(
    "--frame", type=int, metavar="NUMBER", help="Frame to take the place from, from 0."
)
@click.option(
    "--region",
    metavar="X,Y,W,H|MASK|POLYGON",
    help="Where: a rectangle in pixels of the master, a mask picture of its size (white "
    "inside), or a GeoJSON file with polygons in pixels.",
)
@click.option("--undo", is_flag=True, help="Take the last patch back.")
@click.option(
    "--frames",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where the frames are, if they have been moved.",
)
@PATCH
@verbosity_options
def patch(
    result: Path,
    frame: int | None,
    region: str | None,
    undo: bool,
    frames: Path | None,
    **values: Any,
) -> None:
    """Do a place again with another frame.

    RESULT is a master or its .report.json. Blends the aligned pixels of one frame into
    the master without a seam, and brings coverage map, report and page up to date. What
    was there before is kept in NAME.patch-1.tif and so on: --undo brings it back.
    """
    settings = PATCH.take(values)
    said = verbosity(click.get_current_context())
    start_logging(said)
    if undo == (frame is not None or region is not None):
        msg = "give --frame and --region, or --undo alone"
        raise click.UsageError(msg)
    if not undo and (frame is None or region is None):
        msg = "--frame and --region belong together"
        raise click.UsageError(msg)

    from stacker.handoff import patching
    from stacker.report.wording import visible

    with progress(said) as on_event:
        if frame is None or region is None:
            record = patching.undo_patch(result, frames_in=frames, on_event=on_event)
        else:
            record = patching.patch(
                result,
                frame=frame,
                region=region,
                settings=settings,
                frames_in=frames,
                on_event=on_event,
            )
    if not said.quiet:
        click.echo(visible(record["outputs"]["master"]))
