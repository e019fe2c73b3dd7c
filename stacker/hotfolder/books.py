"""What watching and a batch do alike for each bracket: name it, book it, tell of it."""

import contextlib
import logging
import os
import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Self

from stacker.errors import InputError, OutputError
from stacker.files.results import clear_leftovers
from stacker.frame import FrameInfo
from stacker.hotfolder.hook import Hook
from stacker.hotfolder.index import INDEX, SHOWN_AT_MOST, IndexFacts, write_index
from stacker.hotfolder.job import Job, Outcome
from stacker.hotfolder.journal import Fusion, Journal
from stacker.hotfolder.ledger import Change, Entry
from stacker.hotfolder.names import (
    NAME_FIELDS,
    check_template,
    command_words,
    result_name,
    unused,
)
from stacker.hotfolder.places import journal_path, lock_of, take_lock
from stacker.hotfolder.scan import stat_of
from stacker.hotfolder.telling import hook_values, label, told_of
from stacker.hotfolder.thumbnail import THUMBNAILS
from stacker.report.wording import visible
from stacker.settings import FuseSettings, OutputSettings, ReadSettings

__all__ = ["Books", "FusePlan"]

_log = logging.getLogger(__name__)

_ALIVE_EVERY_S = 5.0
_MASTER, _RECORD = ".tif", ".report.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class FusePlan:
    """What is done with every bracket.

    Attributes
    ----------
    fuse, read, outputs : settings
        How to fuse, read and write. `outputs.overwrite` does not count: a name is chosen
        that is free, and from then on it is the bracket's own.
    name : str
        Template of the results' names.
    on_done : str
        The user's command; "" for none.
    """

    fuse: FuseSettings = field(default_factory=FuseSettings)
    read: ReadSettings = field(default_factory=ReadSettings)
    outputs: OutputSettings = field(default_factory=OutputSettings)
    name: str = "{folder}_{first}"
    on_done: str = ""


class Books:
    """Journal, names, page and hook of one folder; use it in a ``with`` block.

    Parameters
    ----------
    folder : Path
        Where the frames are.
    results : Path
        Where the results go; made if its parent is there.
    plan : FusePlan
        What is done with every bracket.
    is_watch : bool
        A watched folder, else a batch.

    Raises
    ------
    InputError
        Another process is at work on either folder, they are the same one, or a
        template is wrong.
    OutputError
        The journal cannot be written.
    """

    def __init__(
        self, folder: Path, results: Path, plan: FusePlan, *, is_watch: bool
    ) -> None:
        check_template(plan.name, NAME_FIELDS)
        self.folder, self.results, self.plan = folder, results, plan
        self.is_watch = is_watch
        if folder.resolve() == results.resolve():
            msg = f"{results}: the frames are there, choose another folder for results"
            raise InputError(msg)
        self.hook = Hook(command_words(plan.on_done) if plan.on_done else ())
        self.entries: dict[int, Entry] = {}
        self.n_changes = 0
        self._said: dict[str, str] = {}
        self._alive_s = 0.0
        self._locks = [lock_of(folder), lock_of(results, of_results=True)]

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as stack:
            for lock, folder in zip(
                self._locks, (self.folder, self.results), strict=True
            ):
                take_lock(lock, folder)
                stack.callback(lock.release)
            path = journal_path(self.folder, is_watch=self.is_watch)
            self.journal = stack.enter_context(Journal(path))
            place = _ascii(self.results.resolve())
            is_new = self.journal.fact("results") != place
            self.journal.set_facts(
                folder=_ascii(self.folder.resolve()),
                results=place,
                kind="watch" if self.is_watch else "batch",
                process=str(os.getpid()),
                since=_now(),
            )
            self.reload()
            if is_new or not self.is_watch or not self.entries:
                self._make_results()
            self.tidy()
            self._stack = stack.pop_all()
        return self

    def __exit__(self, *exception: object) -> None:
        self.hook.close()
        self._stack.close()

    def reload(self, at_work: int = 0) -> None:
        """Take over what the journal says; what was at work is to be done again.

        Parameters
        ----------
        at_work : int
            A bracket that is at work still.
        """
        self.entries = {e.number: e for e in self.journal.entries()}
        self.n_changes += 1
        broken_off = [
            e
            for e in self.entries.values()
            if e.state == "fusing" and e.number != at_work
        ]
        self.apply(
            [
                Change(entry=replace(e, state="waiting"), told="was broken off")
                for e in broken_off
            ]
        )

    def tidy(self) -> None:
        """Remove what a run that was killed has left in the results."""
        places = {PurePosixPath(e.name).parent for e in self.entries.values() if e.name}
        for place in {PurePosixPath(), *places}:
            clear_leftovers(self.results / place)
            pictures = self.results / THUMBNAILS / place
            for left in (
                *(self.results / place).glob(f".{INDEX}-*"),
                *pictures.glob(".*.jpg-*"),
            ):
                with contextlib.suppress(OSError):
                    left.unlink()

    # Entries ------------------------------------------------------------------

    def apply(self, changes: Sequence[Change]) -> list[Entry]:
        """Write changes into the journal, and tell of them."""
        written = self.journal.apply(changes) if changes else []
        for change in changes:
            if change.is_dropped:
                self.entries.pop(change.entry.number, None)
            if change.told:
                _log.info("%s: %s", label(change.entry), visible(change.told))
        self.entries |= {entry.number: entry for entry in written}
        self.n_changes += bool(changes)
        return written

    def begin(self, entry: Entry, infos: Sequence[FrameInfo]) -> Job | None:
        """Mark a bracket as being fused, and make the job of it.

        Parameters
        ----------
        entry : Entry
            One without a name gets one that is free.
        infos : sequence of FrameInfo
            Of its frames.

        Returns
        -------
        Job or None
            None where the folder of the results cannot be reached.
        """
        if not self._is_reachable():
            return None
        before = self.journal.fusion(entry.number) if self.is_watch else None
        name = entry.name
        if not name or (before and self._is_touched(before)):
            name = self.name_of(entry, infos, is_free=True)
        entry = replace(entry, state="fusing", name=name, note="")
        self.apply([Change(entry=entry)])
        return Job(
            number=entry.number,
            frames=tuple(str(self.folder / name) for name, _ in entry.frames),
            stats=tuple(stat for _, stat in entry.frames),
            results=str(self.results),
            name=name,
            fuse=self.plan.fuse,
            read=self.plan.read,
            outputs=replace(self.plan.outputs, overwrite=True),
            newer_than_ns=before.made_ns if before else 0,
            journal=str(self.journal.path),
        )

    def end(self, outcome: Outcome, *, retry: Entry | None = None) -> Entry:
        """Book how a bracket ended, and tell of it.

        Parameters
        ----------
        outcome : Outcome
            Of its job.
        retry : Entry or None
            The entry as it shall go on, where it is to be tried again; without it a
            bracket that is not done is parked.
        """
        entry = self.entries[outcome.number]
        fusion = outcome.fusion
        if fusion is not None:
            fusion = self._completed(fusion, entry)
            entry = replace(entry, state="done", note="", tries=0, retry_at_s=0.0)
        elif retry is not None:
            entry = retry
        else:
            entry = replace(entry, state="parked", note=outcome.note)
        told = told_of(entry, outcome, fusion)
        self.journal.finish(entry, fusion, told)
        self.entries[entry.number] = entry
        self.n_changes += 1
        if outcome.trace:
            _log.error("%s", outcome.trace)
        is_fine = fusion is not None and fusion.verdict == "good"
        _log.log(
            logging.INFO if is_fine else logging.WARNING,
            "%s: %s",
            label(entry),
            visible(told),
        )
        if entry.state in ("done", "parked"):
            self.hook.start(hook_values(entry, fusion, self.results))
        return entry

    def _completed(self, fusion: Fusion, entry: Entry) -> Fusion:
        """Add what the journal knows and the worker does not."""
        left_behind = [f"{text}; left out" for text in entry.left_behind]
        is_short = fusion.verdict == "good" and left_behind
        return replace(
            fusion,
            verdict="look" if is_short else fusion.verdict,
            faults=(*left_behind, *fusion.faults),
            results=str(self.results.resolve()),
        )

    def forget(self, there: Collection[str]) -> None:
        """Drop from memory what is done and whose frames are no longer there.

        The journal keeps it; without frames it cannot become anything else.
        """
        gone = [
            entry.number
            for entry in self.entries.values()
            if entry.state == "done" and not any(n in there for n, _ in entry.frames)
        ]
        for number in gone:
            del self.entries[number]

    def _make_results(self) -> None:
        """Make the folder of the results, for a watch the first time only.

        Later its absence means that a share is away: a folder made in its place would
        take results that nobody finds.
        """
        try:
            self.results.mkdir(exist_ok=True)
        except OSError as err:
            msg = f"{self.results}: cannot be made ({err.strerror or err})"
            raise OutputError(msg) from err

    def _is_reachable(self) -> bool:
        is_there = self.results.is_dir()
        self.say(
            "results",
            "" if is_there else f"{self.results}: cannot be reached; waiting for it",
        )
        return is_there

    def _is_touched(self, fusion: Fusion) -> bool:
        """Tell whether somebody has worked on the master since we wrote it."""
        master = Path(fusion.results) / fusion.files["master"]
        found = stat_of(master)
        return found is not None and found != fusion.master

    def name_of(
        self, entry: Entry, infos: Sequence[FrameInfo], *, is_free: bool
    ) -> str:
        """Name a bracket's result as no other bracket's is named.

        Parameters
        ----------
        entry, infos : Entry, sequence of FrameInfo
            The bracket and its frames.
        is_free : bool
            There must be no results of that name either.
        """
        names = [name for name, _ in entry.frames]
        wanted = result_name(self.plan.name, infos, names, self.folder.resolve().name)
        used = {
            e.name.casefold() for e in self.entries.values() if e.number != entry.number
        }

        def is_taken(name: str) -> bool:
            if name.casefold() in used or name == entry.name:
                return True
            return is_free and self.is_there(name)

        return unused(wanted, is_taken)

    def is_there(self, name: str) -> bool:
        """Tell whether there are results of this name."""
        files = (self.results / f"{name}{s}" for s in (_MASTER, _RECORD))
        return any(map(os.path.lexists, files))

    # Telling ------------------------------------------------------------------

    def say(self, topic: str, text: str) -> None:
        """Log a state of affairs when it changes; an empty text when it is over."""
        if self._said.get(topic, "") == text:
            return
        if text:
            self._said[topic] = text
            _log.warning("%s", visible(text))
        else:
            del self._said[topic]
            _log.info("%s: all right again", visible(topic))

    def write_page(self, *, is_running: bool) -> None:
        """Write the index page anew; a page that cannot be written stops nothing."""
        results = self.results.resolve()
        facts = IndexFacts(
            folder=self.folder.resolve(),
            results=results,
            unfinished=[e for e in self.entries.values() if e.state != "done"],
            latest=self.journal.latest(str(results), SHOWN_AT_MOST),
            verdicts=self.journal.verdicts(str(results)),
            is_watch=self.is_watch,
            is_running=is_running,
        )
        try:
            write_index(facts)
        except (OutputError, OSError) as err:
            self.say("index page", str(err))
        else:
            self.say("index page", "")

    def show_alive(self) -> None:
        """Leave a sign of life in the journal, now and then."""
        if time.monotonic() - self._alive_s >= _ALIVE_EVERY_S:
            self._alive_s = time.monotonic()
            self.journal.set_facts(alive=_now())
        self.hook.look_after()


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def _ascii(path: Path) -> str:
    return os.fsencode(path).decode("ascii", "backslashreplace")
