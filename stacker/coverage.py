"""Coverage: which frame supplied which part of the master.

Works on the finished label map alone. `frame_shares` answers for the whole master,
`coverage_cells` for a grid over it.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stacker.errors import InputError
from stacker.frame import Box, Pixels

__all__ = ["CoverageCell", "FrameShare", "coverage_cells", "frame_shares"]

SHORT_SIDE_CELLS = 8
"""Cells along the shorter side: small enough to name a place, large enough to read."""
LONG_SIDE_CELLS_MAX = 24
"""Cells along the longer side of a very long picture, so that its table stays readable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameShare:
    """How much of a region one frame supplied.

    Attributes
    ----------
    frame : int
        0-based number of the frame.
    share : float
        Fraction of the region's pixels to which it contributed most, above 0, to 1.
    """

    frame: int
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageCell:
    """One cell of the grid over the master.

    Attributes
    ----------
    row, column : int
        0-based place in the grid.
    box : Box
        Its pixels.
    frames : tuple of FrameShare
        Frames that supplied any of it, largest share first.
    """

    row: int
    column: int
    box: Box
    frames: tuple[FrameShare, ...]


def frame_shares(labels: Pixels, n_frames: int) -> tuple[float, ...]:
    """Fraction of the pixels for which each frame contributed most.

    Parameters
    ----------
    labels : (H, W) uint8 or uint16 array
        0-based frame numbers. Not modified.
    n_frames : int
        Number of frames, more than the largest label.

    Returns
    -------
    tuple of float
        One share per frame, 0..1; they sum to 1.

    Raises
    ------
    InputError
        `labels` is not a two-dimensional map of numbers below `n_frames`.

    Examples
    --------
    >>> import numpy as np
    >>> frame_shares(np.array([[0, 0, 0, 2]], np.uint8), 3)
    (0.75, 0.0, 0.25)
    """
    counts = sum(
        (_count(band, n_frames) for band in _bands(labels)),
        np.zeros(n_frames, np.int64),
    )
    return tuple(float(c) for c in counts / labels.size)


def coverage_cells(labels: Pixels, n_frames: int) -> tuple[CoverageCell, ...]:
    """Shares of the frames in each cell of a grid over the master.

    The grid has nearly square cells, 8 along the shorter side and up to 24 along the
    longer; a picture with fewer pixels than that has one cell per pixel.

    Parameters
    ----------
    labels : (H, W) uint8 or uint16 array
        0-based frame numbers. Not modified.
    n_frames : int
        Number of frames, more than the largest label.

    Returns
    -------
    tuple of CoverageCell
        Row by row; every pixel lies in exactly one cell.

    Raises
    ------
    InputError
        `labels` is not a two-dimensional map of numbers below `n_frames`.

    Examples
    --------
    >>> import numpy as np
    >>> cells = coverage_cells(np.repeat([[0, 1]], 32, axis=1).astype(np.uint8), 2)
    >>> len(cells), cells[0].frames
    (24, (FrameShare(frame=0, share=1.0),))
    """
    _require_map(labels)
    n_rows, n_columns = _grid_shape(*labels.shape)
    row_edges = _edges(labels.shape[0], n_rows)
    column_edges = _edges(labels.shape[1], n_columns)
    cells = []
    for i in range(n_rows):
        for j in range(n_columns):
            top, bottom = row_edges[i], row_edges[i + 1]
            left, right = column_edges[j], column_edges[j + 1]
            counts = _count(labels[top:bottom, left:right], n_frames)
            box = Box(row=top, column=left, height=bottom - top, width=right - left)
            cells.append(CoverageCell(row=i, column=j, box=box, frames=_ranked(counts)))
    return tuple(cells)


def _require_map(labels: Pixels) -> None:
    if labels.ndim != 2 or labels.size == 0 or labels.dtype.kind != "u":
        msg = (
            f"the label map is {labels.dtype} {labels.shape}: "
            "expected uint8 or uint16, (H, W)"
        )
        raise InputError(msg)


def _bands(labels: Pixels) -> list[Pixels]:
    """Row bands of about a million pixels: `bincount` copies its input as int64."""
    _require_map(labels)
    rows = max(1, 1_000_000 // labels.shape[1])
    return [labels[i : i + rows] for i in range(0, labels.shape[0], rows)]


def _count(labels: Pixels, n_frames: int) -> npt.NDArray[np.int64]:
    """Pixels per frame, (n_frames,)."""
    counts = np.bincount(labels.ravel(), minlength=n_frames)
    if len(counts) > n_frames:
        msg = f"the label map names frame {len(counts) - 1} of {n_frames} frames"
        raise InputError(msg)
    return counts.astype(np.int64)


def _grid_shape(height: int, width: int) -> tuple[int, int]:
    """Rows and columns of the grid for a picture of this size."""
    short, long = sorted((height, width))
    n_short = min(short, SHORT_SIDE_CELLS)
    n_long = min(long, LONG_SIDE_CELLS_MAX, max(n_short, round(n_short * long / short)))
    return (n_short, n_long) if height <= width else (n_long, n_short)


def _edges(length: int, n_cells: int) -> list[int]:
    """Cell borders, n_cells + 1 whole numbers from 0 to `length`."""
    return [length * i // n_cells for i in range(n_cells + 1)]


def _ranked(counts: npt.NDArray[np.int64]) -> tuple[FrameShare, ...]:
    order = np.argsort(-counts, kind="stable")
    n_pixels = int(counts.sum())
    return tuple(
        FrameShare(frame=int(k), share=float(counts[k]) / n_pixels)
        for k in order
        if counts[k]
    )
