"""The user's own command, run when a bracket is done or parked; never through a shell."""

import logging
import subprocess
import time
from collections.abc import Mapping, Sequence
from typing import Any

from stacker.hotfolder.names import fill_command

__all__ = ["Hook"]

_log = logging.getLogger(__name__)

_LONGEST_S = 60.0


class Hook:
    """Starts a command and does not wait for it.

    Parameters
    ----------
    words : sequence of str
        The command, as `stacker.hotfolder.names.command_words` splits it; empty for
        none.
    """

    def __init__(self, words: Sequence[str]) -> None:
        self._words = list(words)
        self._running: list[tuple[subprocess.Popen[bytes], float]] = []

    def start(self, values: Mapping[str, str]) -> None:
        """Run the command with these values in the place of its fields."""
        if not self._words:
            return
        command = fill_command(self._words, values)
        nowhere: Any = subprocess.DEVNULL
        try:
            process = subprocess.Popen(  # noqa: S603  the user's own, without a shell
                command, stdin=nowhere, stdout=nowhere, stderr=nowhere
            )
        except (OSError, ValueError) as err:
            _log.warning("%s: cannot be run (%s)", command[0], err)
            return
        self._running.append((process, time.monotonic()))

    def look_after(self) -> None:
        """See which commands have ended, and end those that take too long."""
        still = []
        for process, started_s in self._running:
            status = process.poll()
            if status is None and time.monotonic() - started_s > _LONGEST_S:
                process.kill()
                process.wait()
                _log.warning("%s: stopped after %.0f s", self._words[0], _LONGEST_S)
            elif status is None:
                still.append((process, started_s))
            elif status:
                _log.warning("%s: ended with status %d", self._words[0], status)
        self._running = still

    def close(self) -> None:
        """Wait for the commands that still run, but not longer than they may."""
        while self._running:
            self.look_after()
            time.sleep(0.05)
