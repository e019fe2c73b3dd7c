"""What all commands share: lazy loading, exit statuses, signals, how much is said."""

import logging
import signal
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from types import FrameType
from typing import Any, TypeVar, cast

import click

from stacker.cli.terminal import spell_what_cannot_be_shown
from stacker.errors import StackerError
from stacker.report.wording import visible

__all__ = ["CommandGroup", "Verbosity", "verbosity", "verbosity_options"]

FAILED, LOOK, INTERRUPTED = 1, 3, 130
"""Exit statuses; 0 is done and 2 wrong usage (click's own)."""

_Command = TypeVar("_Command", bound=Callable[..., Any])


@dataclass(slots=True)
class Verbosity:
    """How much is said on stderr.

    Attributes
    ----------
    quiet : bool
        Errors only.
    verbose : int
        1: what is being done, 2: details for a bug report.
    debug : bool
        Show the traceback of an error.
    """

    quiet: bool = False
    verbose: int = 0
    debug: bool = False


class CommandGroup(click.Group):
    """A group that imports a command when it is named and turns errors into statuses.

    Parameters
    ----------
    summaries : mapping
        Name and one-line summary of every command, so that listing imports none.
    """

    def __init__(self, *, summaries: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.summaries = summaries

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name all commands."""
        return list(self.summaries)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command `cmd_name`; None if there is none of that name."""
        if cmd_name not in self.summaries:
            return None
        module = import_module(f"stacker.cli.{cmd_name}")
        return cast("click.Command", getattr(module, cmd_name))

    def format_commands(
        self, ctx: click.Context, formatter: click.HelpFormatter
    ) -> None:
        """List the commands with their summaries."""
        with formatter.section("Commands"):
            formatter.write_dl(list(self.summaries.items()))

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; an error becomes one line and an exit status."""
        spell_what_cannot_be_shown()
        try:
            with _stopped_by_signals():
                return super().invoke(ctx)
        except KeyboardInterrupt:
            _complain("interrupted, nothing was written")
            ctx.exit(INTERRUPTED)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except BrokenPipeError:  # whoever read it has read enough; click ends quietly
            raise
        except Exception as err:  # the last door: a user gets one line, not a traceback
            if verbosity(ctx).debug:
                raise
            _complain(_explained(err))
            ctx.exit(FAILED)


def _explained(error: Exception) -> str:
    """Say in one line what went wrong, and what to do where it is our fault."""
    if isinstance(error, StackerError):
        return str(error)
    return (
        f"an error that should not happen ({type(error).__name__}: {error}); "
        "run again with --debug and report what it prints"
    )


def verbosity(ctx: click.Context) -> Verbosity:
    """How much is to be said in the command at hand."""
    return ctx.find_root().ensure_object(Verbosity)


def verbosity_options(command: _Command) -> _Command:
    """Add -q, -v and --debug, which count before and after the command's name alike."""

    def note(ctx: click.Context, param: click.Parameter, value: Any) -> None:
        if value and param.name is not None:
            setattr(verbosity(ctx), param.name, value)

    for option in (
        click.option(
            "--debug",
            is_flag=True,
            expose_value=False,
            callback=note,
            help="Show the traceback of an error.",
        ),
        click.option(
            "-v",
            "--verbose",
            count=True,
            expose_value=False,
            callback=note,
            help="Say what is being done; twice for details.",
        ),
        click.option(
            "-q",
            "--quiet",
            is_flag=True,
            expose_value=False,
            callback=note,
            help="Say nothing but errors.",
        ),
    ):
        command = option(command)
    return command


def start_logging(said: Verbosity) -> None:
    """Send the package's log to stderr, as much of it as was asked for."""
    level = logging.ERROR if said.quiet else logging.WARNING
    if said.verbose:
        level = logging.INFO if said.verbose == 1 else logging.DEBUG
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(logging.Formatter("stacker: %(message)s"))
    logger = logging.getLogger("stacker")
    logger.handlers = [handler]
    logger.setLevel(level)


def _complain(message: str) -> None:
    click.echo(f"stacker: {visible(message)}", err=True)


@contextmanager
def _stopped_by_signals() -> Iterator[None]:
    """Let SIGTERM stop the work as Ctrl-C does, and let neither disturb the tidying up.

    Python dies of SIGTERM without running ``finally``; and a second signal must not
    stop the removal of half-written files that the first has begun.
    """

    def stop(number: int, frame: FrameType | None) -> None:
        del number, frame
        for s in signals:
            signal.signal(s, signal.SIG_IGN)
        raise KeyboardInterrupt

    signals = (signal.SIGTERM, signal.SIGINT)
    before = [signal.getsignal(s) for s in signals]
    for s, handler in zip(signals, before, strict=True):
        if handler is not signal.SIG_IGN:  # a shell's background job ignores Ctrl-C
            signal.signal(s, stop)
    try:
        yield
    finally:
        for s, handler in zip(signals, before, strict=True):
            signal.signal(s, handler)
