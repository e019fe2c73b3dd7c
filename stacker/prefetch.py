"""Frames of a source, each read while the one before is at work."""

from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Self

from stacker.frame import Box, FrameSource, Pixels

__all__ = ["Prefetch"]


class Prefetch:
    """Reads ahead by one frame, and keeps some for a second time.

    Parameters
    ----------
    source : FrameSource
        Where the frames come from.
    is_ahead : bool
        Read the next frame in a thread of its own.
    n_kept : int
        So many of the frames read whole first are kept.

    Notes
    -----
    A context manager: leaving it waits for a read at work and starts no other.
    """

    def __init__(self, source: FrameSource, *, is_ahead: bool, n_kept: int = 0) -> None:
        self._source = source
        self._is_ahead = is_ahead
        self._n_kept = n_kept
        self._kept: dict[int, Pixels] = {}
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="read")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._kept.clear()
        self._pool.shutdown(cancel_futures=True)

    def frames(
        self, numbers: Sequence[int], boxes: Sequence[Box] | None = None
    ) -> Iterator[Pixels]:
        """Read frames, or one region of each, in the order of `numbers`."""
        wanted: Sequence[Box | None] = boxes or [None] * len(numbers)
        jobs = list(zip(numbers, wanted, strict=True))
        waiting: Future[Pixels] | None = None
        for k, job in enumerate(jobs):
            if waiting is None:
                waiting = self._pool.submit(self._read, *job)
            pixels = waiting.result()
            waiting = None
            if self._is_ahead and k + 1 < len(jobs):
                waiting = self._pool.submit(self._read, *jobs[k + 1])
            yield pixels
            del pixels

    def rest(self) -> None:
        """Give back memory: for a while no frame is asked for."""
        self._source.rest()

    def _read(self, number: int, box: Box | None) -> Pixels:
        if number in self._kept:
            whole = self._kept[number]
        elif box is None:
            whole = self._source.read(number)
            if len(self._kept) < self._n_kept:
                self._kept[number] = whole
        else:
            return self._source.read_window(number, box)
        return whole if box is None else box.cut(whole)
