"""Where the state of a folder is kept, and who may work on it.

Local and per user, named by a fingerprint of the folder: never on the share itself,
where neither the locks of SQLite nor of files are sure.
"""

import hashlib
import os
from pathlib import Path

from filelock import FileLock, Timeout
from platformdirs import user_state_path

from stacker.errors import InputError, OutputError

__all__ = ["journal_path", "lock_of", "state_place", "take_lock"]

_DIGEST_CHARS = 16
_LOCK_WAIT_S = 1.0  # `stacker status` holds a lock for a moment


def state_place(folder: str | os.PathLike[str]) -> Path:
    """Say where the state of a folder is kept, without a suffix."""
    resolved = os.fsencode(Path(folder).resolve())
    digest = hashlib.sha256(resolved).hexdigest()[:_DIGEST_CHARS]
    return user_state_path("stacker", appauthor=False) / "folders" / digest


def journal_path(folder: str | os.PathLike[str], *, is_watch: bool) -> Path:
    """Say where the journal of a watch, or of a batch, of a folder is."""
    place = state_place(folder)
    return place.with_name(place.name + (".db" if is_watch else ".batch.db"))


def lock_of(folder: str | os.PathLike[str], *, of_results: bool = False) -> FileLock:
    """Make the lock that only one process at a time holds for a folder."""
    place = state_place(folder)
    suffix = ".results.lock" if of_results else ".lock"
    return FileLock(place.with_name(place.name + suffix), thread_local=False)


def take_lock(lock: FileLock, folder: Path) -> None:
    """Take the lock of a folder.

    Raises
    ------
    InputError
        Another process has it.
    OutputError
        There can be none.
    """
    try:
        Path(lock.lock_file).parent.mkdir(parents=True, exist_ok=True)
        lock.acquire(timeout=_LOCK_WAIT_S)
    except Timeout as err:
        msg = f"{folder}: another stacker is at work on it; stop that one first"
        raise InputError(msg) from err
    except OSError as err:
        msg = f"{lock.lock_file}: cannot be made ({err.strerror or err})"
        raise OutputError(msg) from err
