"""Processes that fuse: apart from the one that watches, which a crash must not take along.

Light on purpose: a new process imports this before it knows how many threads it may use,
and libraries read that when they are loaded.
"""

import multiprocessing
import os
import signal
import threading
from concurrent.futures import Executor, ProcessPoolExecutor
from multiprocessing.synchronize import Event as ProcessEvent

__all__ = ["WORKERS_LOST", "LocalWorkers"]

WORKERS_LOST = "those who did the jobs are lost; start again with --resume"

# What the thread pools inside of libraries go by: OpenMP (LibRaw), OpenBLAS, MKL, numba.
_THREAD_VARIABLES = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMBA_NUM_THREADS",
)


class LocalWorkers:
    """A pool of processes on this machine that can be told to abandon their work.

    Parameters
    ----------
    n_workers : int
        Brackets at a time.
    threads : int
        Threads of each; 0 = one per core.
    """

    is_local = True

    def __init__(self, n_workers: int, threads: int = 0) -> None:
        self._n_workers, self._threads = n_workers, threads
        self._context = multiprocessing.get_context("spawn")
        self._stop = self._context.Event()
        self._pool: ProcessPoolExecutor | None = None

    @property
    def executor(self) -> Executor:
        """The pool; made when it is first asked for, and again after `discard`."""
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                self._n_workers,
                mp_context=self._context,
                initializer=_begin,
                initargs=(self._stop, self._threads),
            )
        return self._pool

    def n_slots(self) -> int:
        """How many jobs can run at a time."""
        return self._n_workers

    def discard(self) -> None:
        """Give up a pool one of whose processes has died."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None

    def abandon(self) -> None:
        """Have every job stopped at its next step; nothing half-written stays."""
        self._stop.set()

    def close(self) -> None:
        """End the processes, when the jobs at hand are done or abandoned."""
        self.discard()


def _begin(stop: ProcessEvent, threads: int) -> None:
    """Prepare a new process: signals, threads, and an end when its parent ends."""
    # The parent decides what a signal to the whole group of processes means.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    if threads:
        for name in _THREAD_VARIABLES:
            os.environ[name] = str(threads)
    threading.Thread(target=_end_with_parent, daemon=True).start()

    from stacker.hotfolder.job import set_stop  # noqa: PLC0415  loads libraries

    set_stop(stop)


def _end_with_parent() -> None:
    """Die with the parent, even a killed one: an orphan would write behind its back."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
