"""One bracket to be fused, wherever that is done: in this process, another, or far away.

A job is names and settings, never pixels; its outcome is a few words. `fuse_job` never
raises what a bracket can cause, and doing the same job twice does no harm: what is done
already is found and kept.
"""

import contextlib
import json
import logging
import os
import socket
import sqlite3
import threading
import time
import traceback
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from errno import EINVAL, ENAMETOOLONG
from pathlib import Path, PurePath
from typing import Any, Literal, Protocol, TypeAlias

from stacker.errors import (
    FrameReadError,
    InputError,
    OutputError,
    OutputExistsError,
    StackerError,
)
from stacker.events import Event
from stacker.hotfolder.journal import Fusion, Journal
from stacker.hotfolder.observed import Stat
from stacker.hotfolder.scan import stat_of
from stacker.hotfolder.thumbnail import write_thumbnail
from stacker.settings import FuseSettings, OutputSettings, ReadSettings

__all__ = ["Job", "Outcome", "OutcomeState", "fuse_job", "set_stop"]

_log = logging.getLogger(__name__)

OutcomeState: TypeAlias = Literal["done", "failed", "held", "changed", "abandoned"]

_PROGRESS_EVERY_S = 0.5
_REPORT = ".report.json"
# Settings that change how the work is done, not what comes out of it.
_IDLE_SETTINGS = (
    ("threads",),
    ("memory_gib",),
    ("strict",),
    ("read", "max_pixels"),
    ("output", "overwrite"),
)
# A name that the file system refuses stays refused; everything else may pass.
_LASTING_ERRORS = (ENAMETOOLONG, EINVAL)

# A worker of a cluster may have several threads: one bracket at a time all the same.
_one_at_a_time = threading.Lock()


class _Flag(Protocol):
    def is_set(self) -> bool: ...


_stop: _Flag = threading.Event()


def set_stop(flag: _Flag) -> None:
    """Have the job at hand abandoned, in this process, as soon as a flag is set."""
    global _stop  # noqa: PLW0603  a process of a pool is told once, when it begins
    _stop = flag


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A bracket and what to make of it.

    Attributes
    ----------
    number : int
        In the journal.
    frames : tuple of str
        Paths, in depth order.
    stats : tuple of Stat
        Of the frames: others are other frames.
    results : str
        Folder of the results.
    name : str
        Of the result below it, with slashes, without suffix.
    fuse, read, outputs : settings
        How to fuse, read and write.
    newer_than_ns : int
        Results whose report was not written later than that are not kept.
    journal : str
        Database to note the progress in; "" where there is none on this machine.
    """

    number: int
    frames: tuple[str, ...]
    stats: tuple[Stat, ...]
    results: str
    name: str
    fuse: FuseSettings = field(default_factory=FuseSettings)
    read: ReadSettings = field(default_factory=ReadSettings)
    outputs: OutputSettings = field(default_factory=OutputSettings)
    newer_than_ns: int = 0
    journal: str = ""

    @property
    def master(self) -> Path:
        """Where the master goes."""
        folder = Path(self.results) / Path(self.name).parent
        return folder / f"{Path(self.name).name}.tif"

    @property
    def report(self) -> Path:
        """Where the report for programs goes."""
        return self.master.with_name(f"{self.master.stem}{_REPORT}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a job ended.

    Attributes
    ----------
    number : int
        Of the bracket.
    state : str
        done; failed (by the bracket's own fault); held (by a full disk, a lost share, a
        missing permission: another time it may go); changed (a frame was written
        meanwhile); abandoned (the process is to end).
    note : str
        Why, in one line; empty where it is done.
    fusion : Fusion or None
        What came of it.
    was_there : bool
        It had been done before.
    trace : str
        Where an error that should not happen came from.
    worker : str
        Who did it.
    """

    number: int
    state: OutcomeState
    note: str = ""
    fusion: Fusion | None = None
    was_there: bool = False
    trace: str = ""
    worker: str = field(default_factory=lambda: f"{socket.gethostname()}:{os.getpid()}")


class _AbandonedError(Exception):
    pass


class _FrameChangedError(Exception):
    pass


def fuse_job(job: Job) -> Outcome:
    """Fuse a bracket, or find that it is fused already."""
    with _one_at_a_time:
        try:
            return _done(job)
        except _AbandonedError:
            return Outcome(number=job.number, state="abandoned", note="stopped")
        except _FrameChangedError as err:
            return Outcome(number=job.number, state="changed", note=str(err))
        except StackerError as err:
            state: OutcomeState = "held" if _may_pass(err) else "failed"
            return Outcome(number=job.number, state=state, note=str(err))
        except Exception as err:  # noqa: BLE001  one bracket must not stop the others
            note = f"an error that should not happen ({type(err).__name__}: {err})"
            return Outcome(
                number=job.number,
                state="failed",
                note=note,
                trace=traceback.format_exc(),
            )


def _done(job: Job) -> Outcome:
    from stacker.pipeline import fuse_bracket  # noqa: PLC0415  heavy

    started_s = time.perf_counter()
    _make_place(job)
    record = _made_before(job)
    was_there, report = record is not None, None
    if record is None:
        with contextlib.ExitStack() as stack:
            watcher = _Watcher(job)
            stack.callback(watcher.close)
            try:
                report = fuse_bracket(
                    job.frames,
                    job.master,
                    job.fuse,
                    read=job.read,
                    outputs=job.outputs,
                    on_event=watcher,
                )
                record = report.record
            except OutputExistsError:
                # Another worker, taken for lost, may have done it meanwhile.
                record = _made_before(job)
                if record is None:
                    raise
                was_there = True
    preview = None if report is None else report.preview
    thumbnail = write_thumbnail(job.master, job.results, job.name, preview)
    took_s = 0.0 if was_there else time.perf_counter() - started_s
    return Outcome(
        number=job.number,
        state="done",
        fusion=_fusion(job, record, thumbnail, took_s),
        was_there=was_there,
    )


def _make_place(job: Job) -> None:
    """See that the results have a folder, inside the one that was named."""
    results = Path(job.results)
    if not results.is_dir():
        msg = f"{results}: no such folder, so no results can be written there"
        raise OutputError(msg)
    place = job.master.parent
    try:
        place.mkdir(parents=True, exist_ok=True)
        is_inside = place.resolve().is_relative_to(results.resolve())
    except OSError as err:
        msg = f"{place}: cannot be made ({err.strerror or err})"
        raise OutputError(msg) from err
    if not is_inside:
        msg = f"{place}: leads out of {results} by a link"
        raise InputError(msg)


class _Watcher:
    """Listens to a fusion: notes how far it is, and stops it where it must."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.noted_s = 0.0
        self.journal = None
        if job.journal:
            with contextlib.suppress(StackerError):
                self.journal = Journal(job.journal)

    def __call__(self, event: Event) -> None:
        if _stop.is_set():
            raise _AbandonedError
        if event.stage == "report":  # the last before the results get their names
            self._check_frames()
        now_s = time.monotonic()
        if self.journal is None or now_s - self.noted_s < _PROGRESS_EVERY_S:
            return
        self.noted_s = now_s
        with contextlib.suppress(sqlite3.Error):  # only for people to see
            self.journal.set_progress(
                self.job.number, event.stage, event.done, event.total
            )

    def _check_frames(self) -> None:
        for path, stat in zip(self.job.frames, self.job.stats, strict=True):
            if stat_of(path) != stat:
                msg = f"{path}: was written or removed while it was in use"
                raise _FrameChangedError(msg)

    def close(self) -> None:
        if self.journal is not None:
            self.journal.close()


def _may_pass(error: StackerError) -> bool:
    """Tell whether the cause lies outside of the bracket and may go by itself."""
    cause = error.__cause__
    number = cause.errno if isinstance(cause, OSError) else None
    if isinstance(error, OutputExistsError):
        return False
    if isinstance(error, OutputError):
        return number not in _LASTING_ERRORS
    return isinstance(error, FrameReadError) and number is not None


def _made_before(job: Job) -> dict[str, Any] | None:
    """Record of results that this very job would make; None if they are not there."""
    try:
        record: dict[str, Any] = json.loads(job.report.read_text("utf-8"))
        frames = [frame["file"] for frame in record["inputs"]["frames"]]
        outputs = [
            job.master.with_name(PurePath(f).name) for f in record["outputs"].values()
        ]
        settings = record["settings"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    wanted = {
        **job.fuse.to_dict(),
        "read": asdict(job.read),
        "output": asdict(job.outputs),
    }
    made_ns = _made_ns(job)
    is_same = (
        sorted(frames) == sorted(job.frames)
        and _telling(settings) == _telling(wanted)
        and made_ns >= max(mtime_ns for _, mtime_ns in job.stats)
        and made_ns > job.newer_than_ns
        and all(stat_of(output) for output in outputs)
    )
    return record if is_same else None


def _made_ns(job: Job) -> int:
    """Time of writing of a job's report, by the clock of where the results are."""
    stat = stat_of(job.report)
    return 0 if stat is None else stat[1]


def _telling(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Leave only settings that make a difference to the result, as JSON has them."""
    copy: dict[str, Any] = json.loads(json.dumps(settings))
    for *groups, key in _IDLE_SETTINGS:
        place = copy
        for group in groups:
            place = place.get(group, {})
        place.pop(key, None)
    return copy


def _fusion(
    job: Job, record: Mapping[str, Any], thumbnail: str, took_s: float
) -> Fusion:
    place = PurePath(job.name).parent
    files = {
        kind: (place / PurePath(path).name).as_posix()
        for kind, path in record["outputs"].items()
    }
    return Fusion(
        verdict=record["verdict"]["level"],
        message=record["verdict"]["message"],
        faults=tuple(
            " ".join(filter(None, (w["message"], w["action"])))
            for w in record["warnings"]
            if w["severity"] != "note"
        ),
        results=job.results,
        files={**files, **({"thumbnail": thumbnail} if thumbnail else {})},
        master=stat_of(job.master),
        made_ns=_made_ns(job),
        created=record["created"],
        took_s=round(took_s, 3),
        n_frames=len(job.frames),
        width=record["size"]["width"],
        height=record["size"]["height"],
    )
