"""Workers on other machines, through dask.distributed (the extra "cluster").

Paths and settings travel, never pixels: every machine sees frames and results under a
path of its own, which `PathMap` translates.
"""

import contextlib
import logging
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from importlib import import_module
from typing import Any

from stacker.errors import InputError, OutputError
from stacker.hotfolder.job import Job
from stacker.hotfolder.workers import WORKERS_LOST

__all__ = ["ClusterWorkers", "PathMap"]

_CONNECT_S = 10
# They log a traceback for every connection that ends; we say it in a line.
_TALKATIVE = ("distributed", "distributed.client", "tornado.application")


@dataclass(frozen=True, slots=True)
class PathMap:
    """Translates paths of this machine into those of the workers.

    Attributes
    ----------
    pairs : tuple of (str, str)
        Beginnings of paths here and there; the first that fits counts.
    """

    pairs: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(cls, texts: Sequence[str]) -> "PathMap":
        """Read pairs written as HERE=THERE.

        Raises
        ------
        InputError
            A text is none.
        """
        pairs = []
        for text in texts:
            here, equals, there = text.partition("=")
            if not (here and equals and there):
                msg = f"{text!r} is no pair of paths: expected HERE=THERE"
                raise InputError(msg)
            pairs.append((here.rstrip("/\\"), there.rstrip("/\\")))
        return cls(tuple(pairs))

    def there(self, path: str) -> str:
        r"""Translate a path.

        Examples
        --------
        >>> windows = PathMap((("/mnt/shoots", "S:\\shoots"),))
        >>> windows.there("/mnt/shoots/cup/a.tif"), windows.there("/mnt/shoots2/a.tif")
        ('S:\\shoots\\cup\\a.tif', '/mnt/shoots2/a.tif')
        """
        for here, there in self.pairs:
            rest = path[len(here) :]
            if path.startswith(here) and rest[:1] in ("", "/", "\\"):
                separator = "\\" if "\\" in there else "/"
                return there + rest.replace("\\", separator).replace("/", separator)
        return path

    def job_there(self, job: Job) -> Job:
        """Translate a job; its journal stays here."""
        return replace(
            job,
            frames=tuple(self.there(path) for path in job.frames),
            results=self.there(job.results),
            journal="",
        )


class ClusterWorkers:
    """The workers of a scheduler, each doing one bracket at a time.

    Parameters
    ----------
    address : str
        Of the scheduler, "tcp://host:8786".
    paths : PathMap
        Between this machine and the workers.

    Raises
    ------
    InputError
        The extra is not installed.
    OutputError
        Nobody answers at that address.
    """

    is_local = False

    def __init__(self, address: str, paths: PathMap) -> None:
        try:
            distributed = import_module("distributed")
        except ImportError as err:
            msg = "a cluster takes the extra for it: pip install stacker[cluster]"
            raise InputError(msg) from err
        for name in _TALKATIVE:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            self._client: Any = distributed.Client(
                address, timeout=_CONNECT_S, set_as_default=False
            )
        except (OSError, ValueError) as err:
            msg = f"{address}: no scheduler answers there ({type(err).__name__})"
            raise OutputError(msg) from err
        # Not "pure": the same job handed in again is to be done again.
        self._executor = _Translating(self._client.get_executor(pure=False), paths)

    @property
    def executor(self) -> Executor:
        """Where jobs are handed in."""
        return self._executor

    def n_slots(self) -> int:
        """How many workers there are now."""
        with _scheduler_there():
            return len(self._client.nthreads())

    def discard(self) -> None:
        """Do nothing: a worker that is lost is the scheduler's to replace."""

    def abandon(self) -> None:
        """Take back what no worker has begun; what one has begun, it ends."""
        with _scheduler_there():
            self._executor.shutdown(wait=False)

    def close(self) -> None:
        """Leave the cluster, if it is still there."""
        with contextlib.suppress(OutputError), _scheduler_there():
            self._client.close()


class _Translating(Executor):
    """Hands jobs on with the paths of the workers."""

    def __init__(self, inner: Executor, paths: PathMap) -> None:
        self._inner, self._paths = inner, paths

    def submit(  # type: ignore[override]  # only jobs are handed in
        self, fn: Callable[[Job], Any], /, job: Job
    ) -> Future[Any]:
        with _scheduler_there():
            return self._inner.submit(fn, self._paths.job_there(job))

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002
        del cancel_futures  # the inner one cancels when it does not wait
        self._inner.shutdown(wait=wait)


@contextlib.contextmanager
def _scheduler_there() -> Iterator[None]:
    """Say in a line that there is no scheduler any more.

    A client that has lost it raises errors of connections, of itself, of its event loop
    or of attributes that it has dropped, depending on how far its closing is.
    """
    try:
        yield
    except Exception as err:
        raise OutputError(WORKERS_LOST) from err
