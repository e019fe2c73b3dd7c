"""``stacker check``: is this bracket complete? Before the set is struck."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.group import (
    INTERRUPTED,
    LOOK,
    start_logging,
    verbosity,
    verbosity_options,
)
from stacker.cli.options import SettingsOptions
from stacker.cli.progress import progress
from stacker.errors import OutputExistsError
from stacker.settings import CheckSettings, ReadSettings

if TYPE_CHECKING:
    from stacker.checking import CheckReport

__all__ = ["check"]

READ = SettingsOptions(ReadSettings, left_out={"white_balance", "raw_profile"})
CHECK = SettingsOptions(CheckSettings, renamed={"look_s": "look_every"})

MOST_FILES_NAMED = 4
"""Files named behind a finding; where it concerns more, their numbers are enough."""

_EXAMPLES = """\b
Examples:
  After the last frame:
    stacker check shots/ring
  With a page that shows focus, light and alignment by frame:
    stacker check shots/ring --page ring.html
  While shooting, until the 24 frames planned are there and in order:
    stacker check shots/ring --follow --frames 24
"""


@click.command(
    short_help="Tell whether a bracket is complete and without faults.",
    epilog=_EXAMPLES,
)
@click.argument(
    "inputs",
    metavar="FRAMES...",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path),
)
@CHECK
@click.option(
    "--follow",
    is_flag=True,
    help="Check again as each frame arrives, until the bracket is complete or Ctrl-C. "
    "With --frames it waits for so many; without, for as long as something beyond the "
    "last frame is still to come into focus.",
)
@click.option(
    "--page",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="NAME.html",
    help="Write a page with the findings, figures and a map of the sharpest frames.",
)
@click.option("--overwrite", is_flag=True, help="Replace a page that is there.")
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print the record as JSON; with --follow one line for every frame.",
)
@READ
@verbosity_options
def check(
    inputs: tuple[Path, ...],
    follow: bool,
    page: Path | None,
    overwrite: bool,
    as_json: bool,
    **values: Any,
) -> None:
    """Tell whether a bracket is complete and without faults, before the set is struck.

    FRAMES are a folder, a pattern, or the files (TIFF, PNG, JPEG, camera raw) in the
    order of their focus; near to far or far to near does not matter. They are numbered
    from 0.

    Looks for: a near or far end that is missing, gaps, steps wasted, frames out of
    order, twice, of another picture or with other settings, a knocked camera, shake,
    things that moved, flash that misfired, drifts or changes colour, highlights cut
    off, dust on the sensor, and places too plain to be judged.

    The first line is the verdict: complete, look at this, or what to shoot. Then come
    the findings, worst first, each with what to do: "reshoot", "look" where a person
    should decide, "note" for what is worth knowing and no fault. Exit status 0 where the
    bracket is complete, 3 where a person should look or shoot again.
    """
    read, settings = READ.take(values), CHECK.take(values)
    ctx = click.get_current_context()
    said = verbosity(ctx)
    start_logging(said)

    if page is not None and page.exists() and not overwrite:  # before the work
        msg = f"{page}: exists already; --overwrite replaces it"
        raise OutputExistsError(msg)
    is_stopped = False
    if follow:
        report, is_stopped = _follow(inputs, read, settings, as_json=as_json)
    else:
        from stacker.checking import check_bracket

        with progress(said) as on_event:
            report = check_bracket(
                inputs, read=read, settings=settings, on_event=on_event
            )
        _say(report, as_json=as_json)
    if page is not None:
        report.write_page(page, overwrite=overwrite)
        if not (as_json or said.quiet):
            click.echo(f"Page: {page}")
    if is_stopped:
        ctx.exit(INTERRUPTED)
    if report.needs_a_look:
        ctx.exit(LOOK)


def _follow(
    inputs: tuple[Path, ...],
    read: ReadSettings,
    settings: CheckSettings,
    *,
    as_json: bool,
) -> "tuple[CheckReport, bool]":
    """Say after every frame what is known; the last report, and whether it is stopped."""
    import json

    from stacker.checking import follow_bracket
    from stacker.report.wording import visible

    click.echo("Following until the bracket is complete; Ctrl-C stops.", err=True)
    report = None
    try:
        for report in follow_bracket(inputs, read=read, settings=settings):
            if as_json:
                click.echo(json.dumps(report.record, allow_nan=False))
            else:
                click.echo(f"{len(report.record['frames'])} frames")
                _say(report, as_json=False)
    except KeyboardInterrupt:
        if report is None:
            raise
        n_frames = len(report.record["frames"])
        words = visible(report.verdict.message)
        click.echo(f"Stopped. Of {n_frames} frames: {words}", err=True)
        return report, True
    assert report is not None  # noqa: S101  the iterator ends with a complete report only
    return report, False


def _say(report: "CheckReport", *, as_json: bool) -> None:
    from stacker.report.record import record_json
    from stacker.report.wording import visible

    if as_json:
        click.echo(record_json(report.record), nl=False)
        return
    click.echo(visible(report.verdict.message))
    files = [Path(frame["file"]).name for frame in report.record["frames"]]
    for finding in report.findings:
        line = f"{finding.severity}: {finding.message} {finding.action}".rstrip()
        if 0 < len(finding.frames) <= MOST_FILES_NAMED:
            line += f" ({', '.join(files[k] for k in finding.frames)})"
        click.echo("  " + visible(line))
