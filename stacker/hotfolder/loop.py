"""The watch itself: look, decide, remember, fuse, tell; over and over.

What is decided is decided by pure functions elsewhere and written into the journal
before it is acted upon, so that the process may end at any moment.
"""

import contextlib
import logging
import sqlite3
import threading
import time
from collections.abc import Callable
from concurrent.futures import CancelledError, Executor, Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from stacker.errors import StackerError
from stacker.hotfolder.books import Books, FusePlan
from stacker.hotfolder.job import Outcome, fuse_job
from stacker.hotfolder.ledger import Entry, reconcile
from stacker.hotfolder.observed import Listing, Look
from stacker.hotfolder.scan import look_into, scan
from stacker.hotfolder.tracker import Tracker
from stacker.settings import GroupSettings, WatchSettings

__all__ = ["Watch", "Workers", "below"]

_log = logging.getLogger(__name__)

_LOOKS_PER_ROUND = 64  # into files: a few seconds on a slow share
_MAX_DOUBLINGS = 16


class Workers(Protocol):
    """Who does the jobs; see `stacker.hotfolder.workers.LocalWorkers`."""

    @property
    def executor(self) -> Executor:
        """Where jobs are handed in."""
        ...

    def discard(self) -> None:
        """Give up an executor that is broken."""

    def abandon(self) -> None:
        """Stop the jobs at hand."""

    def close(self) -> None:
        """End."""


class Watch:
    """Watches one folder; use it in a ``with`` block.

    Parameters
    ----------
    folder, results : Path
        Where frames come in, and where results go.
    plan : FusePlan
        What is done with every bracket.
    watch, group : settings
        When, and what a bracket is.
    workers : Workers
        Who fuses; one bracket at a time.
    clock : callable
        The time of day in seconds; by default one that nobody sets while we watch.

    Raises
    ------
    InputError, OutputError
        See `stacker.hotfolder.books.Books`.
    """

    def __init__(
        self,
        folder: Path,
        results: Path,
        plan: FusePlan,
        watch: WatchSettings,
        group: GroupSettings,
        workers: Workers,
        *,
        clock: Callable[[], float] | None = None,
    ) -> None:
        self.folder, self.watch, self.workers = folder, watch, workers
        self.books = Books(folder, results, plan, is_watch=True)
        self.group = group
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._closing = threading.Event()
        self._job: Future[Outcome] | None = None
        self._number = 0  # of the bracket at work
        self._away: set[str] = set()
        self._held: dict[int, int] = {}
        self._clock = clock or _steady_clock()
        self._skipped = below(folder, results)
        self._is_known = False
        self._page_is_old = True
        self._compared: tuple[int, int] | None = None
        self._is_ripening = False

    def __enter__(self) -> "Watch":
        self.books.__enter__()
        journal = self.books.journal
        self._remembered = journal.files()
        self.tracker = Tracker(
            watch=self.watch,
            group=self.group,
            epoch=journal.next_epoch(),
            known=dict(self._remembered),
        )
        return self

    def __exit__(self, *exception: object) -> None:
        self.workers.abandon()
        self._wait_for_job()
        self.workers.close()
        self.books.write_page(is_running=False)
        self.books.__exit__(*exception)

    def is_known_of(self) -> bool:
        """Tell whether there were frames in this folder in an earlier run."""
        return bool(self._remembered or self.books.entries)

    # From other threads and signal handlers -------------------------------------

    def stop(self) -> None:
        """End soon: the bracket at hand is abandoned, nothing half-written stays."""
        self._stopping.set()
        self._wake.set()

    def close_bracket(self) -> None:
        """Take the bracket at hand for complete."""
        self._closing.set()
        self._wake.set()

    # The loop -------------------------------------------------------------------

    def run(self) -> None:
        """Go round until `stop` is called."""
        _log.info("watching %s, results go to %s", self.folder, self.books.results)
        while not self._stopping.is_set():
            try:
                self.round()
            except (sqlite3.Error, OSError) as err:  # a full disk under the journal
                self.books.say("journal", f"the watch is held up: {err}")
                self.books.reload(self._number)
            self._wake.wait(self.watch.look_s)
            self._wake.clear()

    def round(self) -> None:
        """Go round once."""
        now_s = self._clock()
        listing = scan(self.folder, skipped=self._skipped, close_on=self.watch.close_on)
        self._look(listing, now_s)
        if self._closing.is_set():
            self._closing.clear()
            self.tracker.close_by_hand(now_s)
            _log.info("closed by hand")
        if self._is_known and not self.tracker.is_catching_up:
            self._compare(now_s)
        self._finish()
        if self._is_known:
            self._start()
        if self._page_is_old:
            self._page_is_old = False
            self.books.write_page(is_running=True)
        self.books.show_alive()

    def _look(self, listing: Listing, now_s: float) -> None:
        """Take note of what is in the folder, and look into new files."""
        due = self.tracker.observe(listing, now_s)
        self._is_known = not self.tracker.is_unknown(listing)
        self._tell_unknown(listing)
        if len(due) > _LOOKS_PER_ROUND:
            self._wake.set()  # go on at once
        for name in due[:_LOOKS_PER_ROUND]:
            stat = listing.files[name]
            look = look_into(
                self.folder, name, max_pixels=self.books.plan.read.max_pixels
            )
            self.tracker.learn(name, stat, look, now_s)
            self._tell_lacking(name, look)
        if self._is_known:
            self._remember()

    def _tell_unknown(self, listing: Listing) -> None:
        text = ""
        if "" in listing.unknown:
            text = f"{self.folder}: cannot be read; waiting for it to come back"
        elif not self._is_known:
            text = (
                f"{self.folder}: is empty all at once; taken for a share that is away, "
                "until there are files again"
            )
        self.books.say(str(self.folder), text)
        away = {str(self.folder / place) for place in listing.unknown if place}
        for place in away | self._away:
            self.books.say(place, f"{place}: cannot be read" if place in away else "")
        self._away = away

    def _tell_lacking(self, name: str, look: Look) -> None:
        lacking = look.lacking or look.doubt
        self.books.say(name, f"{name}: not whole yet, {lacking}" if lacking else "")

    def _remember(self) -> None:
        """Write down what is known of files, where it has changed."""
        memory = self.tracker.memory()
        if memory == self._remembered:
            return
        changed = {
            name: known
            for name, known in memory.items()
            if self._remembered.get(name) != known
        }
        self.books.journal.set_files(changed, self._remembered.keys() - memory.keys())
        self._remembered = memory

    def _compare(self, now_s: float) -> None:
        """Bring the journal into agreement with the folder, if anything is new."""
        state = (self.tracker.n_changes, self.books.n_changes)
        if state == self._compared and not self._is_ripening:
            return
        entries = list(self.books.entries.values())
        fused_in = {
            ref: entry.number
            for entry in entries
            if entry.state in ("done", "fusing")
            for ref in entry.frames
        }
        candidates = self.tracker.candidates(fused_in, now_s)
        changes = reconcile(candidates, entries, self.tracker.names())
        if changes:
            self.books.apply(changes)
            self._page_is_old = True
        self.books.forget(self.tracker.names())
        self._is_ripening = any(c.is_ripening for c in candidates)
        self._compared = (self.tracker.n_changes, self.books.n_changes)

    # Jobs -----------------------------------------------------------------------

    def _start(self) -> None:
        """Hand in the next bracket that is due, if none is at work."""
        if self._job is not None or self._stopping.is_set():
            return
        waiting = [e for e in self.books.entries.values() if self._is_due(e)]
        for entry in sorted(waiting, key=lambda e: (e.retry_at_s, e.number)):
            infos = self.tracker.infos([name for name, _ in entry.frames])
            if infos is None:
                continue  # a frame is not looked into yet, or just gone
            job = self.books.begin(entry, infos)
            if job is None:
                return
            _log.info("%s: fusing %d frames", job.name, len(job.frames))
            self._page_is_old = True
            self._number = entry.number
            self._job = self.workers.executor.submit(fuse_job, job)
            self._job.add_done_callback(lambda _: self._wake.set())
            return

    def _is_due(self, entry: Entry) -> bool:
        wait_s = entry.retry_at_s - self._clock()
        # A longer wait than the longest: somebody has set the clock back.
        is_time = wait_s <= 0 or wait_s > self.watch.longest_retry_s
        return entry.state == "waiting" and is_time

    def _finish(self) -> None:
        """Book the bracket that has come to its end, if one has."""
        if self._job is None or not self._job.done():
            return
        outcome = self._outcome(self._job)
        entry = self.books.entries[outcome.number]
        self.books.end(outcome, retry=self._retry(entry, outcome))
        self._job, self._number = None, 0
        self._page_is_old = True

    def _outcome(self, job: Future[Outcome]) -> Outcome:
        number = self._number
        try:
            return job.result()
        except BrokenProcessPool:
            self.workers.discard()
            note = "the process that fused it died (out of memory?)"
            return Outcome(number=number, state="failed", note=note)
        except (CancelledError, StackerError) as err:
            return Outcome(number=number, state="abandoned", note=str(err))

    def _retry(self, entry: Entry, outcome: Outcome) -> Entry | None:
        """Say how a bracket goes on that is not done; None if it is given up."""
        tries, delay_s = entry.tries, 0.0
        if outcome.state == "failed":
            tries += 1
            if tries >= self.watch.tries:
                return None
            delay_s = self._delay_s(tries)
        elif outcome.state == "held":
            n_held = self._held.get(entry.number, 0) + 1
            self._held[entry.number] = n_held
            delay_s = self._delay_s(n_held)
        elif outcome.state == "changed":
            delay_s = self.watch.settle_s
        else:
            self._held.pop(entry.number, None)
        return replace(
            entry,
            state="waiting",
            note=outcome.note,
            tries=tries,
            retry_at_s=self._clock() + delay_s,
        )

    def _delay_s(self, n: int) -> float:
        delay_s = self.watch.retry_s * 2.0 ** min(n - 1, _MAX_DOUBLINGS)
        return min(delay_s, self.watch.longest_retry_s)

    def _wait_for_job(self) -> None:
        """Let the job at hand end, and book what came of it."""
        if self._job is None:
            return
        with contextlib.suppress(CancelledError):
            self._job.exception()  # waits
        self._finish()


def _steady_clock() -> Callable[[], float]:
    """Tell the time of day as it was at the start, and count on from there."""
    started_s = time.time() - time.monotonic()
    return lambda: started_s + time.monotonic()


def below(folder: Path, results: Path) -> str | None:
    """Path of the results below the folder, with slashes; None if they are elsewhere."""
    inner, outer = results.resolve(), folder.resolve()
    return inner.relative_to(outer).as_posix() if inner.is_relative_to(outer) else None
