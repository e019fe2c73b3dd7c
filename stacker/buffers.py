"""Memory used again from frame to frame: fresh pages cost as much as the arithmetic."""

import math
import sys
import threading
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Buffers", "FrameMemory"]


class Buffers:
    """Lends float32 maps by name, the same ones again and again.

    Notes
    -----
    A map is overwritten when its name's turn comes again: after `n` more requests.
    """

    def __init__(self) -> None:
        self._kept: dict[tuple[str, tuple[int, int], int], npt.NDArray[np.float32]] = {}
        self._turns: dict[str, int] = {}

    def lend(
        self, name: str, shape: tuple[int, int], n: int = 1
    ) -> npt.NDArray[np.float32]:
        """Lend one of `n` maps of `shape` in turn; what it holds is left over."""
        turn = self._turns.get(name, -1) + 1
        self._turns[name] = turn
        key = (name, shape, turn % n)
        if key not in self._kept:
            self._kept[key] = np.empty(shape, np.float32)
        return self._kept[key]


class FrameMemory:
    """Memory for decoded frames, used again once nobody holds the frame in it.

    May be asked from several threads.
    """

    # Windows differ by a few rows from frame to frame.
    ROOM = 1.05

    def __init__(self) -> None:
        self._blocks: list[npt.NDArray[np.uint8]] = []
        self._lock = threading.Lock()

    def empty(self, shape: tuple[int, ...], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
        """Return an array like `numpy.empty`; free memory that does not fit is dropped."""
        n_bytes = math.prod(shape) * np.dtype(dtype).itemsize
        with self._lock:
            held = []
            found = None
            for k in range(len(self._blocks)):
                is_free = _references(self._blocks, k) == _UNHELD
                block = self._blocks[k]
                fits = n_bytes <= block.size <= self.ROOM**2 * n_bytes + 1
                if is_free and fits and found is None:
                    found = block
                if not is_free or block is found:
                    held.append(block)
                del block  # a name left over would count as somebody
            if found is None:
                # Untouched, the room costs nothing.
                found = np.empty(int(self.ROOM * n_bytes), np.uint8)
                held.append(found)
            self._blocks = held
            return found[:n_bytes].view(dtype).reshape(shape)

    def rest(self) -> None:
        """Drop what nobody holds."""
        with self._lock:
            blocks = self._blocks
            n = range(len(blocks))
            self._blocks = [blocks[k] for k in n if _references(blocks, k) > _UNHELD]


def _references(blocks: list[npt.NDArray[np.uint8]], k: int) -> int:
    return sys.getrefcount(blocks[k])


# How many the interpreter counts of a block that only the list holds: versions differ.
_UNHELD = _references([np.empty(1, np.uint8)], 0)
