"""How kernels are compiled, cached and spread over threads."""

import functools
import hashlib
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from pathlib import Path
from typing import Any

import numba
import platformdirs

from stacker.geometry import iter_strips

__all__ = ["jit", "run_strips"]


def _cache_folder() -> Path | None:
    """Folder for compiled kernels; None where nothing can be written.

    numba looks only at a kernel's own file for changes, not at the files of what it
    calls: the folder is named by the sources of all of them.
    """
    sources = sorted(Path(__file__).parent.glob("*.py"))
    digest = hashlib.sha256(b"".join(p.read_bytes() for p in sources)).hexdigest()[:12]
    wanted = os.environ.get("NUMBA_CACHE_DIR")
    home = Path(wanted or platformdirs.user_cache_dir("stacker"))
    folder = home / f"kernels-{digest}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    return folder if os.access(folder, os.W_OK) else None


FOLDER = _cache_folder()


def jit(function: Callable[..., Any]) -> Any:
    """Compile a kernel; in memory only where there is no place to keep it."""
    config: Any = numba.config
    before = config.CACHE_DIR
    # Only for our own kernels: a script that imports us may use numba too.
    config.CACHE_DIR = str(FOLDER or before)
    try:
        return numba.njit(
            nogil=True,
            cache=FOLDER is not None,
            # As NumPy divides: a check for 0 keeps loops from being vectorised.
            error_model="numpy",
            fastmath={"contract", "arcp", "nsz", "reassoc"},
        )(function)
    finally:
        config.CACHE_DIR = before


@functools.cache
def _pool(n_threads: int) -> ThreadPoolExecutor:
    """Keep threads: starting them anew costs as much as a small picture's kernel."""
    return ThreadPoolExecutor(n_threads, thread_name_prefix="strips")


if hasattr(os, "register_at_fork"):
    # Threads do not come along into a forked process: it would wait for them for ever.
    os.register_at_fork(after_in_child=_pool.cache_clear)


def run_strips(
    n_rows: int, n_threads: int, work: Callable[[int, int], Any], *, strips: int = 4
) -> None:
    """Call ``work(first_row, end_row)`` over all rows from `n_threads` threads."""
    n_strips = 1 if n_threads == 1 else n_threads * strips
    parts = list(iter_strips(n_rows, n_strips))
    if len(parts) == 1:
        work(*parts[0])
        return
    pool = _pool(n_threads)
    jobs = [pool.submit(work, a, b) for a, b in parts]
    wait(jobs)
    for job in jobs:
        job.result()
