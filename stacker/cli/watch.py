"""``stacker watch``: a folder that is watched, every bracket in it fused by itself."""

import logging
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.fuse import ALIGN, FUSE, READ
from stacker.cli.group import Verbosity, verbosity, verbosity_options
from stacker.cli.options import SettingsOptions
from stacker.errors import FrameReadError
from stacker.settings import GroupSettings, OutputSettings, WatchSettings

if TYPE_CHECKING:
    from stacker.hotfolder.loop import Watch
    from stacker.hotfolder.preview import FolderPreview

__all__ = ["watch"]

GROUP = SettingsOptions(GroupSettings, renamed={"gap_s": "gap"})
WATCH = SettingsOptions(
    WatchSettings,
    renamed={
        "settle_s": "settle",
        "look_s": "every",
        "patience_s": "patience",
        "retry_s": "retry",
        "longest_retry_s": "longest_retry",
    },
)
RESULTS = SettingsOptions(OutputSettings, left_out={"overwrite"})


@click.command(short_help="Watch a folder and fuse every bracket that comes in.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--into",
    "results",
    required=True,
    type=click.Path(path_type=Path),
    metavar="RESULTS",
    help="Folder for the results and their index.html; made if it is not there.",
)
@GROUP
@WATCH
@click.option(
    "--on-done",
    default="",
    metavar="CMD",
    help="Command that is run when a bracket is done or parked, without a shell. Its "
    "words may hold {name}, {state} (done or parked), {verdict}, {message}, {master}, "
    "{report} and {results}.",
)
@click.option(
    "--dry-run",
    is_flag=True,
    help="Only say which brackets the folder holds now, and why.",
)
@READ
@ALIGN
@FUSE
@RESULTS
@verbosity_options
def watch(
    folder: Path, results: Path, on_done: str, dry_run: bool, **values: Any
) -> None:
    """Watch a folder and fuse every bracket that comes in.

    FOLDER is where the frames arrive, one by one or as folders, from a tethered camera
    or over a share. A bracket is fused when it is complete: when no frame has come for
    --gap seconds, when a file arrives whose name fits --close-on, or when you press
    Enter. Faulty brackets are fused, too, and say so; one that cannot be fused is
    tried again, then parked, and never holds up the next.

    Runs until it is stopped (Ctrl-C or SIGTERM); started again, it goes on where it
    was. "stacker status FOLDER" says how things stand.
    """
    group, watching = GROUP.take(values), WATCH.take(values)
    read, outputs = READ.take(values), RESULTS.take(values)
    align = ALIGN.take(values)
    fuse = FUSE.take(values, align=align)

    from stacker.hotfolder.books import FusePlan
    from stacker.hotfolder.loop import Watch, below
    from stacker.hotfolder.preview import preview_folder
    from stacker.hotfolder.workers import LocalWorkers

    if dry_run:
        found = preview_folder(
            _existing(folder),
            skipped=below(folder, results),
            watch=watching,
            group=group,
            read=read,
        )
        _print_preview(found)
        return
    start_diary(verbosity(click.get_current_context()))
    plan = FusePlan(
        fuse=fuse, read=read, outputs=outputs, name=group.name, on_done=on_done
    )
    workers = LocalWorkers(1, fuse.threads)
    with Watch(folder, results, plan, watching, group, workers) as at_work:
        if not at_work.is_known_of():
            _existing(folder)
        _obey_signals(at_work)
        _listen_to_keys(at_work)
        at_work.run()


def start_diary(said: Verbosity) -> None:
    """Log what happens to stderr, with the time: a watch has nothing else to show."""
    level = logging.WARNING if said.quiet else logging.INFO
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        logging.Formatter("%(asctime)s %(message)s", datefmt="%Y-%m-%d %H:%M:%S")
    )
    logger = logging.getLogger("stacker")
    logger.handlers = [handler]
    logger.setLevel(logging.DEBUG if said.verbose else level)


def _existing(folder: Path) -> Path:
    """Refuse a folder that is not there: mistyped, unless it was watched before."""
    if not folder.is_dir():
        raise FrameReadError(folder, "no such folder")
    return folder


def _obey_signals(at_work: "Watch") -> None:
    for number in (signal.SIGTERM, signal.SIGINT):
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, lambda *_: at_work.stop())


def _listen_to_keys(at_work: "Watch") -> None:
    if not sys.stdin or not sys.stdin.isatty():
        return
    click.echo("Press Enter to close the bracket at hand.", err=True)

    def listen() -> None:
        for _ in sys.stdin:
            at_work.close_bracket()

    threading.Thread(target=listen, daemon=True).start()


def _print_preview(found: "FolderPreview") -> None:
    from stacker.report.wording import visible

    for proposal in found.proposals:
        group, waits_for = proposal.candidate.group, proposal.candidate.waits_for
        n = len(group.frames)
        frames = f"{n} frame{'s' if n != 1 else ''}"
        note = f", waits for {waits_for}" if waits_for else ""
        click.echo(visible(f"{proposal.name}: {frames}{note}"))
        for frame, reason in zip(group.frames, group.reasons, strict=True):
            click.echo(visible(f"  {frame.name}: {reason}"))
    for line in found.lacking:
        click.echo(visible(f"not whole: {line}"))
    for place in found.unknown:
        click.echo(visible(f"cannot be read: {place or 'the folder itself'}"))
    if not found.proposals:
        click.echo("no brackets")
