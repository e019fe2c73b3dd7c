"""How a folder stands, from its journal: also while it is being watched."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from filelock import Timeout

from stacker.errors import InputError
from stacker.hotfolder.journal import Fusion, Journal, Progress
from stacker.hotfolder.ledger import Entry
from stacker.hotfolder.places import journal_path, lock_of

__all__ = ["folder_status"]


def folder_status(
    folder: str | os.PathLike[str], *, with_reasons: bool = False
) -> dict[str, Any]:
    """Tell how the brackets of a folder stand.

    Parameters
    ----------
    folder : path
        A folder that is or was watched, or fused as a batch.
    with_reasons : bool
        Say for each frame why it is where it is.

    Returns
    -------
    dict
        JSON-ready: folder, results, kind ("watch" or "batch"), running, since, alive,
        counts by state, and brackets with number, state, name, frames, note, and what
        is known of them: progress, verdict, faults, files.

    Raises
    ------
    InputError
        Nothing is known of this folder.
    OutputError
        The journal cannot be read.
    """
    paths = [journal_path(folder, is_watch=kind) for kind in (True, False)]
    known = [path for path in paths if path.exists()]
    if not known:
        msg = (
            f"{folder}: neither watched nor fused as a batch on this machine by this "
            "user so far"
        )
        raise InputError(msg)
    with Journal(max(known, key=_last_change)) as journal:
        entries = journal.entries()
        fusions = {e.number: journal.fusion(e.number) for e in entries}
        progress = journal.progress()
        facts = {
            key: journal.fact(key)
            for key in ("folder", "results", "kind", "process", "since", "alive")
        }
    brackets = [
        _bracket(
            e, fusions[e.number], progress.get(e.number), with_reasons=with_reasons
        )
        for e in entries
    ]
    states = [entry.state for entry in entries]
    return {
        **facts,
        "running": _is_running(folder),
        "counts": {state: states.count(state) for state in dict.fromkeys(states)},
        "brackets": brackets,
    }


def _last_change(path: Path) -> float:
    """Time of the last change of a journal; new ones go to a file beside it at first."""
    beside = path.with_name(path.name + "-wal")
    return max(p.stat().st_mtime for p in (path, beside) if p.exists())


def _is_running(folder: str | os.PathLike[str]) -> bool:
    lock = lock_of(folder)
    try:
        lock.acquire(timeout=0)
    except (Timeout, OSError):
        return True
    lock.release()
    return False


def _bracket(
    entry: Entry,
    fusion: Fusion | None,
    progress: Progress | None,
    *,
    with_reasons: bool,
) -> Mapping[str, Any]:
    told: dict[str, Any] = {
        "number": entry.number,
        "state": entry.state,
        "name": entry.name or None,
        "frames": [name for name, _ in entry.frames],
        "note": entry.note,
        "tries": entry.tries,
    }
    if with_reasons:
        told["reasons"] = list(entry.reasons)
    if entry.state == "fusing" and progress is not None:
        told["progress"] = {
            "stage": progress.stage, "done": progress.done, "total": progress.total,
        }  # fmt: skip
    if fusion is not None:
        told |= {
            "verdict": fusion.verdict,
            "message": fusion.message,
            "faults": list(fusion.faults),
            "files": dict(fusion.files),
            "created": fusion.created,
            "took_s": fusion.took_s,
        }
    return told
