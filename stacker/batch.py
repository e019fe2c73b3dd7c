"""Many brackets in one go, on this machine or on many.

Written against `concurrent.futures.Executor`: what runs the jobs is handed in. A bracket
that fails stops no other, and what was done stays known for the next time.
"""

import contextlib
import logging
import os
import time
from collections import deque
from collections.abc import Collection, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from stacker.errors import BracketError, OutputError
from stacker.files.boundary import one_line
from stacker.frame import FrameInfo
from stacker.hotfolder.books import Books, FusePlan
from stacker.hotfolder.job import Outcome, fuse_job
from stacker.hotfolder.ledger import Change, Entry, FrameRef
from stacker.hotfolder.loop import below
from stacker.hotfolder.observed import Candidate
from stacker.hotfolder.preview import preview_folder
from stacker.hotfolder.scan import stat_of
from stacker.hotfolder.summary import BatchSummary, row_of
from stacker.hotfolder.workers import WORKERS_LOST
from stacker.planning.planner import FUSION_BYTES_PER_100_MP
from stacker.report.wording import visible
from stacker.settings import BatchSettings, GroupSettings, WatchSettings

__all__ = ["Pool", "run_batch"]

_log = logging.getLogger(__name__)

_LEAST_BYTES = 300 << 20  # a process with its libraries, however small the frames
_SHARE_OF_MEMORY = 0.75
_LOOK_EVERY_S = 1.0


class Pool(Protocol):
    """Who does the jobs: processes on this machine, or workers of a cluster."""

    @property
    def is_local(self) -> bool:
        """They share the memory of this machine."""
        ...

    @property
    def executor(self) -> Executor:
        """Where jobs are handed in."""
        ...

    def n_slots(self) -> int:
        """How many jobs can run at a time; may change.

        Raises
        ------
        OutputError
            Those who do them are lost.
        """
        ...

    def discard(self) -> None:
        """Give up an executor that is broken."""

    def abandon(self) -> None:
        """Stop the jobs at hand."""

    def close(self) -> None:
        """End."""


def run_batch(
    root: Path,
    results: Path,
    plan: FusePlan,
    group: GroupSettings,
    batch: BatchSettings,
    pool: Pool,
) -> BatchSummary:
    """Fuse all brackets below a folder.

    Parameters
    ----------
    root, results : Path
        Where the frames are, and where results go.
    plan : FusePlan
        What is done with every bracket; `outputs.overwrite` replaces results that are
        there.
    group : GroupSettings
        What a bracket is.
    batch : BatchSettings
        How many at a time, and whether to go on with an earlier batch.
    pool : Pool
        Who fuses. Closed at the end.

    Returns
    -------
    BatchSummary
        Also after an interrupt, with what was done so far.

    Raises
    ------
    BracketError
        There is no bracket.
    InputError, OutputError
        See `stacker.hotfolder.books.Books`.
    """
    with Books(root, results, plan, is_watch=False) as books:
        run = _Batch(books, group, batch, pool)
        try:
            run.gather()
            run.fuse()
        finally:
            pool.close()
            books.write_page(is_running=False)
        return run.summary()


class _Batch:
    """One batch; the methods are its stages, called once each, in order."""

    def __init__(
        self, books: Books, group: GroupSettings, batch: BatchSettings, pool: Pool
    ) -> None:
        self.books, self.group, self.batch, self.pool = books, group, batch, pool
        self.infos: dict[int, list[FrameInfo]] = {}
        self.pending: deque[int] = deque()
        self.suspects: deque[int] = deque()
        self.suspected: set[int] = set()
        self.running: dict[Future[Outcome], int] = {}
        self.kept: set[int] = set()
        self.order: list[int] = []
        self.lacking: tuple[str, ...] = ()
        self.is_broken_off = False
        self.allowed_bytes = _allowed_bytes(batch)

    # What there is ----------------------------------------------------------------

    def gather(self) -> None:
        """Find the brackets, and compare them with those of an earlier batch."""
        root = self.books.folder
        found = preview_folder(
            root,
            skipped=below(root, self.books.results),
            watch=WatchSettings(),
            group=self.group,
            read=self.books.plan.read,
        )
        for place in found.unknown:
            _log.warning("%s: cannot be read", visible(root / place))
        if not found.proposals:
            why = f" ({'; '.join(found.lacking)})" if found.lacking else ""
            msg = f"{root}: no brackets found in it or below{why}"
            raise BracketError(msg)
        self.lacking = found.lacking
        fresh = [_entry(p.candidate) for p in found.proposals]
        known = self._known({entry.frames for entry in fresh})
        for entry, proposal in zip(fresh, found.proposals, strict=True):
            infos = [s.info for s in proposal.candidate.group.frames]
            self._take_up(known.get(entry.frames, entry), infos)

    def _known(
        self, found: Collection[tuple[FrameRef, ...]]
    ) -> dict[tuple[FrameRef, ...], Entry]:
        """Brackets of an earlier batch that is gone on with; forget all others."""
        entries = list(self.books.entries.values())
        kept = [e for e in entries if self.batch.resume and e.frames in found]
        self.books.apply(
            [Change(entry=e, is_dropped=True) for e in entries if e not in kept]
        )
        return {entry.frames: entry for entry in kept}

    def _take_up(self, entry: Entry, infos: Sequence[FrameInfo]) -> None:
        if len(entry.frames) < 2:
            note = "a bracket needs at least two frames, found only this one"
            self._give_up(replace(entry, state="parked"), note)
            return
        is_own = bool(entry.name) and entry.state != "done"
        name = entry.name or self.books.name_of(entry, infos, is_free=False)
        is_there = self.books.is_there(name)
        may_replace = self.books.plan.outputs.overwrite or is_own
        if is_there and not may_replace and not self.batch.resume:
            note = (
                f"{name}: results of this name are there already: --resume goes on "
                "with an earlier batch, --overwrite replaces them"
            )
            self._give_up(entry, note)
            return
        waiting = replace(entry, state="waiting", name=name, note="", tries=0)
        number = self._book(waiting)
        self.infos[number] = list(infos)
        if is_there and not may_replace:
            self.kept.add(number)
        self.pending.append(number)

    def _book(self, entry: Entry) -> int:
        number = self.books.apply([Change(entry=entry)])[0].number
        self.order.append(number)
        return number

    def _give_up(self, entry: Entry, note: str) -> None:
        number = self._book(entry)
        self.books.end(Outcome(number=number, state="failed", note=note))

    # The work ---------------------------------------------------------------------

    def fuse(self) -> None:
        """Hand in jobs as fast as they are done, and book what comes of them."""
        try:
            while self.pending or self.suspects or self.running:
                self._hand_in()
                self.books.write_page(is_running=True)
                for future in self._next_done():
                    self._end(future)
        except KeyboardInterrupt:
            self.is_broken_off = True
            self._abandon()

    def _next_done(self) -> set[Future[Outcome]]:
        """Wait for a job to end, or for somebody to do the jobs."""
        while True:
            self.books.show_alive()
            if self.running:
                done, _ = wait(
                    self.running, timeout=_LOOK_EVERY_S, return_when=FIRST_COMPLETED
                )
                if done:
                    return done
            else:
                time.sleep(_LOOK_EVERY_S)
            n_slots = self.pool.n_slots()
            self.books.say("workers", "" if n_slots else "no workers; waiting for one")
            if n_slots > len(self.running) and self.pending:
                return set()

    def _hand_in(self) -> None:
        while self.pending and len(self.running) < self.pool.n_slots():
            if self.running and not self._fits(self.pending[0]):
                return
            self._submit(self.pending.popleft())
        # Whoever was at work when a process died is tried once more, alone.
        if self.suspects and not self.running:
            self._submit(self.suspects.popleft())

    def _fits(self, number: int) -> bool:
        """Tell whether there is memory for one more bracket beside those at work."""
        if not self.pool.is_local:  # each on a machine of its own
            return True
        taken = sum(map(self._needed_bytes, self.running.values()))
        return taken + self._needed_bytes(number) <= self.allowed_bytes

    def _needed_bytes(self, number: int) -> int:
        info = self.infos[number][0]
        of_100_mp = info.width * info.height / 1e8
        return max(_LEAST_BYTES, round(of_100_mp * FUSION_BYTES_PER_100_MP))

    def _submit(self, number: int) -> None:
        job = self.books.begin(self.books.entries[number], self.infos[number])
        if job is None:
            msg = f"{self.books.results}: cannot be reached any more"
            raise OutputError(msg)
        if number in self.kept:  # what is there may be kept, but not replaced
            job = replace(job, outputs=replace(job.outputs, overwrite=False))
        elif not self.batch.resume:  # what is there is to be replaced
            there = stat_of(job.report)
            job = replace(job, newer_than_ns=there[1] if there else 0)
        self.running[self.pool.executor.submit(fuse_job, job)] = number

    def _end(self, future: Future[Outcome]) -> None:
        number = self.running.pop(future, None)
        if number is None:  # it went down with another one's process
            return
        try:
            outcome = future.result()
        except BrokenProcessPool:
            self._process_died(number)
            return
        except CancelledError as err:
            raise OutputError(WORKERS_LOST) from err
        except Exception as err:  # noqa: BLE001  whatever a cluster says of a lost job
            note = f"no worker could do it ({type(err).__name__}: {one_line(err)})"
            outcome = Outcome(number=number, state="failed", note=note)
        retry = None
        if outcome.state in ("changed", "abandoned"):
            retry = replace(
                self.books.entries[number], state="waiting", note=outcome.note
            )
        self.books.end(outcome, retry=retry)
        if outcome.was_there:
            self.kept.add(number)
        else:
            self.kept.discard(number)

    def _process_died(self, number: int) -> None:
        """Try everything that was at work once more, one after the other."""
        at_work = [number, *self.running.values()]
        self.running.clear()
        self.pool.discard()
        for suspect in at_work:
            if suspect in self.suspected:
                note = "the process that fused it died (out of memory?)"
                self.books.end(Outcome(number=suspect, state="failed", note=note))
            else:
                self.suspected.add(suspect)
                self.suspects.append(suspect)

    def _abandon(self) -> None:
        """Stop what is at work, and book it as waiting."""
        self.pool.abandon()
        wait(self.running)
        for future in list(self.running):
            with contextlib.suppress(OutputError):
                self._end(future)

    # What came of it ----------------------------------------------------------------

    def summary(self) -> BatchSummary:
        """One row per bracket."""
        journal = self.books.journal
        rows = tuple(
            row_of(
                self.books.entries[number],
                journal.fusion(number),
                is_kept=number in self.kept,
            )
            for number in self.order
        )
        return BatchSummary(
            rows=rows, lacking=self.lacking, is_broken_off=self.is_broken_off
        )


def _entry(candidate: Candidate) -> Entry:
    names = [s.name for s in candidate.group.frames]
    return Entry(
        state="waiting",
        frames=tuple(zip(names, candidate.stats, strict=True)),
        reasons=candidate.group.reasons,
        left_behind=candidate.left_behind,
    )


def _allowed_bytes(batch: BatchSettings) -> float:
    if batch.memory_gib is not None:
        return batch.memory_gib * 2**30
    return _SHARE_OF_MEMORY * _memory_bytes()


def _memory_bytes() -> float:
    """Memory of this machine; infinite where the system does not tell."""
    try:
        return float(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"))
    except (AttributeError, OSError, ValueError):  # not on Windows
        return float("inf")
