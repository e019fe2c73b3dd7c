"""``stacker handoff``: aligned frames, masks and layers for the retoucher."""

from pathlib import Path
from typing import Any

import click

from stacker.cli.group import start_logging, verbosity, verbosity_options
from stacker.cli.options import SettingsOptions
from stacker.cli.progress import progress
from stacker.settings import HandoffSettings

__all__ = ["handoff"]

HANDOFF = SettingsOptions(HandoffSettings)


def numbers(
    context: click.Context, param: click.Parameter, value: str | None
) -> tuple[int, ...] | None:
    """Read "3,4,7"."""
    del context, param
    if value is None:
        return None
    try:
        return tuple(int(word) for word in value.split(","))
    except ValueError as err:
        msg = f"{value!r} is no list of frame numbers such as 3,4,7"
        raise click.BadParameter(msg) from err


@click.command(short_help="Hand aligned frames, masks and layers to the retoucher.")
@click.argument("result", type=click.Path(path_type=Path))
@click.option(
    "--into",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where the folder NAME.handoff is made; beside the master if not given.",
)
@click.option(
    "--only",
    callback=numbers,
    metavar="3,4,7",
    help="Numbers of the frames to include; all that took part if not given.",
)
@click.option(
    "--frames",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where the frames are, if they have been moved.",
)
@HANDOFF
@verbosity_options
def handoff(
    result: Path,
    into: Path | None,
    only: tuple[int, ...] | None,
    frames: Path | None,
    **values: Any,
) -> None:
    """Hand aligned frames, masks and layers to the retoucher.

    RESULT is a master or its .report.json. Makes a folder NAME.handoff with the frames
    in the master's geometry, light and profile (16-bit TIFF), a mask for each (8 bit, its
    share of the blend), and one TIFF with all of them as named layers above the master.
    """
    settings = HANDOFF.take(values)
    said = verbosity(click.get_current_context())
    start_logging(said)

    from stacker.handoff.export import write_handoff
    from stacker.handoff.opened import open_result
    from stacker.report.wording import visible

    with progress(said) as on_event:
        done = write_handoff(
            open_result(result, frames_in=frames),
            settings,
            only=only,
            into=into,
            on_event=on_event,
        )
    if not said.quiet:
        click.echo(visible(done.folder))
