"""Memory used again from frame to frame: fresh pages cost as much as the arithmetic."""

import numpy as np
import numpy.typing as npt

__all__ = ["Buffers"]


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
