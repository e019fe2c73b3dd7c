"""Transforms, reduced sizes, strips: pure arithmetic on coordinates.

Coordinates are (x, y), x to the right and y down; pixel centres are at whole numbers and
(0, 0) is the centre of the top-left pixel. A picture reduced by a factor f covers the
same area, so ``x_full = f * x_reduced + (f - 1) / 2``.
"""

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from stacker.frame import Matrix3x3
from stacker.settings import Motion

__all__ = [
    "HALF_TO_FULL",
    "at_level",
    "corner_distance",
    "field_scale",
    "half_shape",
    "identity",
    "invert",
    "iter_strips",
    "normalise",
    "project_motion",
    "reduced_shape",
]

HALF_TO_FULL: Matrix3x3 = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
"""Pixel of a half-size map to full-size pixel: its centre is that of a 2x2 group."""


def identity() -> Matrix3x3:
    """Return the transform that moves nothing."""
    return np.eye(3)


def half_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Height and width of a picture reduced by 2, odd sizes rounded up."""
    return (shape[0] + 1) // 2, (shape[1] + 1) // 2


def reduced_shape(shape: tuple[int, int], max_pixels: float) -> tuple[int, int]:
    """Height and width, same proportions, of at most about `max_pixels` pixels.

    Never larger than `shape`, never smaller than 1 x 1.
    """
    factor = max(1.0, math.sqrt(shape[0] * shape[1] / max_pixels))
    return max(1, round(shape[0] / factor)), max(1, round(shape[1] / factor))


def _level_matrix(full: tuple[int, int], reduced: tuple[int, int]) -> Matrix3x3:
    """Map reduced (x, y, 1) to full-size (x, y, 1)."""
    fy, fx = full[0] / reduced[0], full[1] / reduced[1]
    return np.array([[fx, 0, (fx - 1) / 2], [0, fy, (fy - 1) / 2], [0, 0, 1.0]])


def at_level(
    matrix: Matrix3x3, shape: tuple[int, int], new_shape: tuple[int, int]
) -> Matrix3x3:
    """Rewrite a transform between two pictures of `shape` for `new_shape`.

    Parameters
    ----------
    matrix : (3, 3) array
        Maps pixel coordinates to pixel coordinates, both pictures of size `shape`.
    shape, new_shape : (height, width)
        Size it holds for, and the size (larger or smaller) it is wanted for.

    Returns
    -------
    (3, 3) float64 array
        The same motion in coordinates of pictures of `new_shape`.
    """
    step = _level_matrix(shape, new_shape)
    moved = np.linalg.inv(step) @ matrix @ step
    return normalise(moved)


def normalise(matrix: Matrix3x3) -> Matrix3x3:
    """Scale a transform so that its last element is 1."""
    return np.asarray(matrix / matrix[2, 2], dtype=np.float64)


def invert(matrix: Matrix3x3) -> Matrix3x3:
    """Return the transform that leads back."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def field_scale(matrix: Matrix3x3) -> float:
    """Magnification of a transform: square root of its area scale at the origin."""
    return float(math.sqrt(abs(np.linalg.det(matrix[:2, :2]))))


def corner_distance(
    first: Matrix3x3, second: Matrix3x3, shape: tuple[int, int]
) -> float:
    """Largest distance in pixels between where two transforms put the four corners."""
    height, width = shape
    corners = np.array(
        [[0, width - 1, 0, width - 1], [0, 0, height - 1, height - 1], [1, 1, 1, 1]],
        dtype=float,
    )
    a, b = first @ corners, second @ corners
    gap = a[:2] / a[2] - b[:2] / b[2]
    return float(np.hypot(gap[0], gap[1]).max())


def project_motion(
    matrix: Matrix3x3, motion: Motion, shape: tuple[int, int]
) -> Matrix3x3:
    """Nearest transform of a simpler model, by least squares over the picture.

    Parameters
    ----------
    matrix : (3, 3) array
        A more general transform of pictures of size `shape`.
    motion : str
        The model wanted. "affine" and "homography" are returned as they are.
    shape : (height, width)
        Size of the pictures, whose corners are fitted.

    Returns
    -------
    (3, 3) float64 array
    """
    if motion in ("affine", "homography"):
        return matrix
    height, width = shape
    ys, xs = np.meshgrid([0.0, height - 1], [0.0, width - 1], indexing="ij")
    places = np.stack([xs.ravel(), ys.ravel(), np.ones(xs.size)])
    moved = matrix @ places
    moved = moved[:2] / moved[2]
    if motion == "translation":
        out = np.eye(3)
        out[:2, 2] = (moved - places[:2]).mean(axis=1)
        return out
    # Similarity as a complex line z' = a z + b, which is linear in a and b.
    z = places[0] + 1j * places[1]
    w = moved[0] + 1j * moved[1]
    dz, dw = z - z.mean(), w - w.mean()
    spread = float((np.abs(dz) ** 2).sum())
    a = complex((np.conj(dz) * dw).sum() / spread) if spread > 0 else 1 + 0j
    b = complex(w.mean() - a * z.mean())
    return np.array([[a.real, -a.imag, b.real], [a.imag, a.real, b.imag], [0, 0, 1.0]])


def iter_strips(n_rows: int, n_strips: int) -> Iterator[tuple[int, int]]:
    """Yield (first row, row behind the last) of about equal strips, never empty."""
    edges = np.linspace(0, n_rows, min(n_strips, n_rows) + 1).round().astype(int)
    for first, last in pairwise(edges):
        yield int(first), int(last)
