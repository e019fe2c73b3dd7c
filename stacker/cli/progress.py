"""Progress on stderr: bars on a terminal, plain lines elsewhere, nothing when quiet."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import click

from stacker.cli.group import Verbosity
from stacker.events import Event, OnEvent, Stage, ignore_event
from stacker.report.wording import visible

__all__ = ["progress"]

WORDS: dict[Stage, str] = {
    "read": "reading",
    "align": "aligning",
    "measure": "measuring",
    "fuse": "fusing",
    "write": "writing",
    "report": "reporting",
}
LINE_INTERVAL_S = 5.0
"""Between two plain lines of one stage: a log shows life without filling up."""


@contextmanager
def progress(said: Verbosity) -> Iterator[OnEvent]:
    """Show the events of one call while the block runs.

    Bars only where stderr is a terminal and no log goes there.
    """
    if said.quiet:
        yield ignore_event
    elif sys.stderr.isatty() and not said.verbose:
        with _bars() as on_event:
            yield on_event
    else:
        yield _Lines()


class _Lines:
    """One line when a stage ends, and one every few seconds within it."""

    def __init__(self) -> None:
        self.last_s = time.monotonic()

    def __call__(self, event: Event) -> None:
        now_s = time.monotonic()
        if event.done < event.total and now_s - self.last_s < LINE_INTERVAL_S:
            return
        self.last_s = now_s
        message = f" {visible(event.message)}" if event.message else ""
        click.echo(
            f"{WORDS[event.stage]} {event.done}/{event.total}{message}", err=True
        )


@contextmanager
def _bars() -> Iterator[OnEvent]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (
        TextColumn("{task.description:<10}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[message]}", markup=False),
    )
    bars = Progress(*columns, console=Console(stderr=True), transient=True)
    tasks: dict[Stage, object] = {}

    def show(event: Event) -> None:
        message = visible(event.message)
        if event.stage not in tasks:
            tasks[event.stage] = bars.add_task(
                WORDS[event.stage], total=event.total, message=message
            )
        bars.update(
            tasks[event.stage],  # type: ignore[arg-type]
            completed=event.done,
            total=event.total,
            message=message,
        )

    with bars:
        yield show
