"""What is remembered of a folder: a database in the user's own state folder.

One row per bracket and per file, and a diary of what was decided and why. Never on the
share itself: the database locks of SQLite are only sure on one machine.
"""

import contextlib
import json
import os
import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

from stacker.errors import OutputError
from stacker.hotfolder.grouping import Moment
from stacker.hotfolder.ledger import Change, Entry, FrameRef
from stacker.hotfolder.observed import Stat

__all__ = [
    "Fusion",
    "Journal",
    "Note",
    "Progress",
]

_SCHEMA = """
CREATE TABLE IF NOT EXISTS facts (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS files (
    name BLOB PRIMARY KEY, size INTEGER, mtime_ns INTEGER,
    epoch INTEGER, first_s REAL, last_s REAL, written_s REAL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS brackets (
    number INTEGER PRIMARY KEY AUTOINCREMENT, state TEXT NOT NULL, body TEXT NOT NULL,
    changed_s REAL NOT NULL, fusion TEXT
);
CREATE TABLE IF NOT EXISTS progress (
    number INTEGER PRIMARY KEY, stage TEXT, done INTEGER, total INTEGER, at_s REAL
);
CREATE TABLE IF NOT EXISTS diary (
    id INTEGER PRIMARY KEY, at_s REAL NOT NULL, number INTEGER, text TEXT NOT NULL
);
"""
_VERSION = 1
_BUSY_S = 10.0
_DIARY_LENGTH = 20_000  # lines kept: some years of a busy studio, 2 MB


@dataclass(frozen=True, slots=True, kw_only=True)
class Fusion:
    """What came of fusing a bracket.

    Attributes
    ----------
    verdict : str
        "good", "look" or "reshoot".
    message : str
        The verdict in words.
    faults : tuple of str
        What a person should look at, files that were left out first.
    results : str
        Folder of the results.
    files : mapping of str to str
        Names below it by kind ("master", "report_html", "thumbnail", ...).
    master : Stat or None
        Of the master as it was written.
    made_ns : int
        Time of writing of the report, by the clock of where the results are.
    created : str
        ISO 8601, by the clock of the machine that fused.
    took_s : float
        Seconds it took.
    n_frames : int
        Frames given.
    width, height : int
        Of the master.
    """

    verdict: str
    message: str
    faults: tuple[str, ...]
    results: str
    files: Mapping[str, str]
    master: Stat | None
    made_ns: int
    created: str
    took_s: float
    n_frames: int
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far the fusion of a bracket has come."""

    stage: str
    done: int
    total: int
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A line of the diary."""

    at_s: float
    number: int | None
    text: str


class Journal:
    """The database of one folder; use it in a ``with`` block, in one thread.

    Parameters
    ----------
    path : path
        The database file; made where there is none.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=NORMAL")
            with self._changing():
                self._prepare()
        except (OSError, sqlite3.Error) as err:
            msg = f"{self.path}: the journal cannot be opened ({err})"
            raise OutputError(msg) from err

    def _prepare(self) -> None:
        found = self._db.execute("PRAGMA user_version").fetchone()[0]
        if found not in (0, _VERSION):
            msg = (
                f"{self.path}: a journal of another version ({found}); "
                "move it away, or use the version of stacker that made it"
            )
            raise OutputError(msg)
        for statement in _SCHEMA.split(";"):
            self._db.execute(statement)
        self._db.execute(f"PRAGMA user_version={_VERSION}")

    def close(self) -> None:
        """Close the database."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    @contextlib.contextmanager
    def _changing(self) -> Iterator[sqlite3.Connection]:
        """All changes within the block, or none."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield self._db
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    # Facts and files ----------------------------------------------------------

    def fact(self, key: str) -> str | None:
        """Return a single value; None where it was never set."""
        row = self._db.execute("SELECT value FROM facts WHERE key = ?", (key,))
        found = row.fetchone()
        return None if found is None else str(found[0])

    def set_facts(self, **values: str) -> None:
        """Set single values."""
        with self._changing() as db:
            db.executemany("INSERT OR REPLACE INTO facts VALUES (?, ?)", values.items())

    def next_epoch(self) -> int:
        """Begin a new run: an odd number, larger than those before."""
        epoch = int(self.fact("epoch") or -1) + 2
        self.set_facts(epoch=str(epoch))
        return epoch

    def files(self) -> dict[str, tuple[Stat, Moment]]:
        """Return the files that were there at the end of the last run."""
        columns = "name, size, mtime_ns, epoch, first_s, last_s, written_s"
        rows = self._db.execute(f"SELECT {columns} FROM files")  # noqa: S608
        return {
            os.fsdecode(name): (
                (size, mtime_ns),
                Moment(epoch=epoch, first_s=first, last_s=last, written_s=written),
            )
            for name, size, mtime_ns, epoch, first, last, written in rows
        }

    def set_files(
        self,
        changed: Mapping[str, tuple[Stat, Moment]],
        gone: Iterable[str],
    ) -> None:
        """Write down what is known of files, and forget those that are gone."""
        rows = [
            (os.fsencode(n), *stat, m.epoch, m.first_s, m.last_s, m.written_s)
            for n, (stat, m) in changed.items()
        ]
        with self._changing() as db:
            db.executemany("INSERT OR REPLACE INTO files VALUES (?,?,?,?,?,?,?)", rows)
            db.executemany(
                "DELETE FROM files WHERE name = ?", [(os.fsencode(n),) for n in gone]
            )

    # Brackets -----------------------------------------------------------------

    def entries(self) -> list[Entry]:
        """Return all brackets in the order in which they began."""
        rows = self._db.execute("SELECT number, body FROM brackets ORDER BY number")
        return [_entry(number, json.loads(body)) for number, body in rows]

    def apply(self, changes: Sequence[Change]) -> list[Entry]:
        """Make changes to brackets, and note what is told of them.

        Returns
        -------
        list of Entry
            The changed entries, new ones with their number.
        """
        written = []
        with self._changing() as db:
            for change in changes:
                entry = change.entry
                if change.is_dropped:
                    db.execute("DELETE FROM brackets WHERE number = ?", (entry.number,))
                else:
                    entry = self._write(entry)
                    written.append(entry)
                if change.told:
                    self._note(change.told, entry.number)
                if entry.state == "waiting" and not change.is_dropped:
                    names = [name for name, _ in entry.frames]
                    for name, reason in zip(names, entry.reasons, strict=True):
                        self._note(f"{name}: {reason}", entry.number)
        return written

    def _write(self, entry: Entry) -> Entry:
        body = _json({k: getattr(entry, k) for k in Entry.__slots__ if k != "number"})
        row = (entry.number or None, entry.state, body, time.time())
        cursor = self._db.execute(
            "INSERT INTO brackets (number, state, body, changed_s) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (number) DO UPDATE SET state = excluded.state, "
            "body = excluded.body, changed_s = excluded.changed_s",
            row,
        )
        return replace(entry, number=entry.number or cursor.lastrowid or 0)

    def finish(self, entry: Entry, fusion: Fusion | None, told: str) -> None:
        """Write down how a bracket ended, and what came of it."""
        with self._changing() as db:
            self._write(entry)
            if fusion is not None:
                db.execute(
                    "UPDATE brackets SET fusion = ? WHERE number = ?",
                    (_fusion_json(fusion), entry.number),
                )
            db.execute("DELETE FROM progress WHERE number = ?", (entry.number,))
            self._note(told, entry.number)

    def fusion(self, number: int) -> Fusion | None:
        """Return what came of a bracket when it was last fused."""
        row = self._db.execute(
            "SELECT fusion FROM brackets WHERE number = ? AND fusion IS NOT NULL",
            (number,),
        ).fetchone()
        return None if row is None else _fusion(json.loads(row[0]))

    def latest(self, results: str, limit: int) -> list[tuple[Entry, Fusion]]:
        """Return brackets whose results are in a folder, those done last first."""
        rows = self._db.execute(
            "SELECT number, body, fusion FROM brackets WHERE "
            "json_extract(fusion, '$.results') = ? ORDER BY changed_s DESC LIMIT ?",
            (results, limit),
        )
        return [
            (_entry(number, json.loads(body)), _fusion(json.loads(fusion)))
            for number, body, fusion in rows
        ]

    def verdicts(self, results: str) -> dict[str, int]:
        """Count the brackets whose results are in a folder by their verdicts."""
        rows = self._db.execute(
            "SELECT json_extract(fusion, '$.verdict'), COUNT(*) FROM brackets WHERE "
            "json_extract(fusion, '$.results') = ? GROUP BY 1",
            (results,),
        )
        return dict(rows.fetchall())

    # Progress and diary -------------------------------------------------------

    def set_progress(self, number: int, stage: str, done: int, total: int) -> None:
        """Note how far a bracket has come."""
        with self._changing() as db:
            db.execute(
                "INSERT OR REPLACE INTO progress VALUES (?, ?, ?, ?, ?)",
                (number, stage, done, total, time.time()),
            )

    def progress(self) -> dict[int, Progress]:
        """How far the brackets at work have come."""
        rows = self._db.execute("SELECT number, stage, done, total, at_s FROM progress")
        return {
            number: Progress(stage=stage, done=done, total=total, at_s=at_s)
            for number, stage, done, total, at_s in rows
        }

    def note(self, text: str, number: int | None = None) -> None:
        """Add a line to the diary."""
        with self._changing():
            self._note(text, number)

    def _note(self, text: str, number: int | None) -> None:
        self._db.execute(
            "INSERT INTO diary (at_s, number, text) VALUES (?, ?, ?)",
            (time.time(), number, _text(text)),
        )
        self._db.execute(
            "DELETE FROM diary WHERE id <= (SELECT MAX(id) FROM diary) - ?",
            (_DIARY_LENGTH,),
        )

    def diary(self, number: int | None = None) -> list[Note]:
        """Return the diary, or that of one bracket, oldest first."""
        where = "" if number is None else "WHERE number = ?"
        rows = self._db.execute(
            f"SELECT at_s, number, text FROM diary {where} ORDER BY id",  # noqa: S608
            () if number is None else (number,),
        )
        return [Note(at_s=at, number=n, text=text) for at, n, text in rows]


def _json(value: object) -> str:
    """Write JSON in ASCII: bytes of names that are no UTF-8 survive as escapes."""
    return json.dumps(value, ensure_ascii=True)


def _text(text: str) -> str:
    """Text that SQLite takes: no lone surrogates."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _entry(number: int, body: Mapping[str, Any]) -> Entry:
    frames: list[FrameRef] = [
        (name, (size, mtime_ns)) for name, (size, mtime_ns) in body["frames"]
    ]
    lists = {key: tuple(body[key]) for key in ("reasons", "left_behind")}
    return Entry(**{**body, **lists, "number": number, "frames": tuple(frames)})


def _fusion_json(fusion: Fusion) -> str:
    return _json({key: getattr(fusion, key) for key in Fusion.__slots__})


def _fusion(values: Mapping[str, Any]) -> Fusion:
    master = values["master"]
    return Fusion(
        **{
            **values,
            "faults": tuple(values["faults"]),
            "master": None if master is None else (master[0], master[1]),
        }
    )
