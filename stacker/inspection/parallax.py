"""How the camera moved sideways between neighbours: near things shift against far ones.

One transform registers what is in focus; the rest stands off by an amount that grows
with depth. Motion is measured cell by cell from gradients of the thumbnails, after the
registration that the survey was given, and divided into what all depths share and what
grows with depth.
"""

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.frame import ImageF32, Matrix3x3
from stacker.geometry import at_level, reduced_shape
from stacker.inspection.reading import Reading

__all__ = ["sideways_motion"]

F64 = npt.NDArray[np.float64]

# Thumbnails are reduced once more: a pixel of these is four of 1500.
MOTION_PIXELS = 1.0e5
# Band of the thumbnails that neighbouring frames share in spite of defocus, in pixels.
BAND_LOW_SIGMA, BAND_HIGH_SIGMA = 1.0, 6.0
EDGE_PX = 4
# Cells count most where they are in focus in both frames.
REACH_FRAMES, FAR_WEIGHT = 3.0, 0.05
ROUNDS = 6
# Keeps the growth with depth near nothing where all cells lie at one depth.
PRIOR = 3e-4


def sideways_motion(r: Reading) -> tuple[F64, F64]:
    """Correction of each frame's place, and its parallax.

    Returns
    -------
    shift, parallax : (n, 2) arrays
        In order of focus, full-size pixels, x and y, since the first frame: what all
        depths moved beyond the given registration, and how far the two ends of the
        bracket's depth moved against each other.
    """
    shape = reduced_shape(r.facts.frames[0].luma.shape, MOTION_PIXELS)
    lumas = [
        np.asarray(
            _opencv.area_reduce(r.facts.frames[k].luma.astype(np.float32), shape),
            np.float32,
        )
        for k in r.order
    ]
    scale = r.facts.shape[1] / shape[1]
    depth = (r.curves.peak - r.z.mean()) / max(float(np.ptp(r.z)), 1e-9)
    shift, parallax = np.zeros((r.n, 2)), np.zeros((r.n, 2))
    for k in range(1, r.n):
        one, other = (r.facts.frames[r.order[j]] for j in (k - 1, k))
        between = np.linalg.inv(one.to_first) @ other.to_first
        matrix = np.asarray(at_level(between, r.facts.shape, shape), np.float64)
        middle = (r.z[k - 1] + r.z[k]) / 2
        near = np.exp(-0.5 * ((r.curves.peak - middle) / REACH_FRAMES) ** 2)
        weight = np.where(np.isfinite(near), FAR_WEIGHT + near, 0.0)
        sums = _cell_sums(_band(lumas[k - 1]), lumas[k], matrix, depth.shape)
        moved = _shared_and_growing(sums, np.nan_to_num(depth), weight)
        shift[k] = shift[k - 1] + moved[:2] * scale
        parallax[k] = parallax[k - 1] + moved[4:] * scale
    return shift, parallax


def _band(luma: ImageF32) -> ImageF32:
    low = _opencv.gaussian_blur(luma, BAND_LOW_SIGMA)
    return low - _opencv.gaussian_blur(luma, BAND_HIGH_SIGMA)


def _cell_sums(
    fixed: ImageF32, moving: ImageF32, mov_to_fixed: Matrix3x3, grid: tuple[int, ...]
) -> F64:
    """Mean products of gradients and difference by cell, (6, rows, columns)."""
    back = np.asarray(np.linalg.inv(mov_to_fixed), np.float64)
    warped = _opencv.warp_linear(moving, back, fixed.shape, outside=-1.0)
    lost = _opencv.dilate_disc((warped < 0).astype(np.uint8), EDGE_PX)
    seen = (lost == 0).astype(np.float32)
    other = _band(np.maximum(warped, 0)) * seen
    here = fixed * seen
    # Contrast differs with light and focus.
    other *= float((here * other).sum()) / max(float((other * other).sum()), 1e-12)
    rise_y, rise_x = np.gradient((here + other) / 2)
    rise_x, rise_y = rise_x * seen, rise_y * seen
    apart = here - other
    products = (
        *(rise_x * rise_x, rise_x * rise_y, rise_y * rise_y),
        *(rise_x * apart, rise_y * apart, apart * apart),
    )
    return np.stack(
        [_opencv.area_reduce(p, (grid[0], grid[1])) for p in products]
    ).astype(float)


def _shared_and_growing(sums: F64, depth: F64, weight: F64) -> F64:
    """Shift x and y, scale, rotation, growth with depth x and y; by robust fit.

    Lucas & Kanade's normal equations over all cells; cells that disagree, because a
    thing moved or occludes another, lose weight.

    References
    ----------
    Lucas, B. D. & Kanade, T. (1981), An iterative image registration technique with an
    application to stereo vision, Proc. IJCAI, 674-679.
    """
    xx, xy, yy, xt, yt, tt = sums.reshape(len(sums), -1)
    rows, columns = depth.shape
    x, y = np.meshgrid(
        (np.arange(columns) + 0.5) / columns * 2 - 1,
        ((np.arange(rows) + 0.5) / rows * 2 - 1) * rows / columns,
    )
    x, y, depth, weight = x.ravel(), y.ravel(), depth.ravel(), weight.ravel()
    one, zero = np.ones_like(x), np.zeros_like(x)
    basis_x = np.stack([one, zero, x, -y, depth, zero])
    basis_y = np.stack([zero, one, y, x, zero, depth])
    trust = np.ones_like(x)
    terms = np.zeros(6)
    known = (weight > 0) & (xx + yy > 0)
    if np.count_nonzero(known) < len(terms):
        return terms
    for _ in range(ROUNDS):
        w = weight * trust
        cross = (w * xy * basis_x) @ basis_y.T
        normal = (w * xx * basis_x) @ basis_x.T + (w * yy * basis_y) @ basis_y.T
        normal += cross + cross.T
        right = basis_x @ (w * xt) + basis_y @ (w * yt)
        size = np.trace(normal)
        normal += np.diag([1e-9, 1e-9, 1e-9, 1e-9, PRIOR, PRIOR]) * size
        terms = np.linalg.solve(normal, right)
        u, v = terms @ basis_x, terms @ basis_y
        rest = tt - 2 * (u * xt + v * yt) + u * u * xx + 2 * u * v * xy + v * v * yy
        off = np.sqrt(np.maximum(rest, 0) / np.maximum(tt + xx + yy, 1e-12))
        # Cauchy weights at two typical misfits.
        trust = 1 / (1 + (off / (2 * float(np.median(off[known])) + 1e-12)) ** 2)
    return terms
