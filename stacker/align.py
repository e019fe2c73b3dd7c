"""Registration: where each frame's pixels lie in the master, and how bright it is.

Reading order: `reduce_frame` makes the small copies that registration works on;
`register_pair` is ECC between neighbours, coarse to fine, which `compute` chains;
`refine_transforms` then registers each frame to the reference again, over the places
where that frame is in focus, because a camera that moves a little has parallax and only
there does it matter.
"""

import functools
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from stacker import _kernels, _opencv
from stacker.depth import FocusMaps
from stacker.frame import ImageF32, Matrix3x3, Pixels, TransferTable
from stacker.geometry import (
    at_level,
    invert,
    iter_strips,
    normalise,
    project_motion,
    reduced_shape,
)
from stacker.light import BRIGHTEST, LightGain, estimate_gain, linear_samples
from stacker.refinement import PairRefinement, Prepared
from stacker.settings import Motion

__all__ = [
    "ReducedFrame",
    "Registration",
    "measure_gain",
    "reduce_frame",
    "refine_transforms",
    "register_pair",
]

# Registration works on at most this many pixels: 0.01 px there is 0.07 px at 100 MP.
REGISTRATION_PIXELS = 2.0e6
# Luma that is put by has so many steps.
PUT_BY_STEPS = 255
# Light is measured on about this many samples, put together to so many cells.
LIGHT_SAMPLES = 5.0e5
LIGHT_CELLS = 60_000
ECC_SIGMA = 1.2
ECC_LEVELS = 4
# ECC only has to come near: the refinement finds its way from a pixel or two.
ECC_PIXELS = 1.5e5
ECC_ITERATIONS = 60
MIN_LEVEL_SIDE = 48
# Each holds some small maps of two megapixels.
PAIRS_AT_ONCE = 4
# The first pass needs no more: the maps it makes have half the frames' size.
NEAR_ENOUGH_PX = 0.02
# Neighbours of one bracket correlate above this; then no other start is tried.
SURELY_THE_SAME = 0.9


@dataclass(frozen=True, slots=True)
class ReducedFrame:
    """Small copies of one frame.

    Attributes
    ----------
    luma : (h, w) float32 array, range [0, 1], or, put by, uint8 array
        Encoded luma, at most about two megapixels.
    cells : (h', w', C) float32 array, range [0, 1]
        Linear light, tens of thousands of cells.
    clipped : (h', w') float32 array, range [0, 1]
        Fraction of each cell that is too bright to be believed.
    """

    luma: npt.NDArray[Any]
    cells: ImageF32
    clipped: ImageF32

    def put_by(self) -> "ReducedFrame":
        """Return the copies as they are kept, of every frame of a bracket.

        A step of eight bits is below the noise of one camera pixel, and refinement sums
        over a hundred thousand.
        """
        return replace(self, luma=np.round(self.luma * PUT_BY_STEPS).astype(np.uint8))


@dataclass(frozen=True, slots=True)
class Registration:
    """Answer of `register_pair`: the transform and the ECC value it reached, 0..1."""

    mov_to_ref: Matrix3x3
    correlation: float


def reduce_frame(
    raw: Pixels, luma_half: ImageF32, table: TransferTable, *, n_threads: int = 1
) -> ReducedFrame:
    """Make the copies that registration and light work on.

    Parameters
    ----------
    raw : (H, W, C) uint8 or uint16 array
        Not modified.
    luma_half : (ceil(H/2), ceil(W/2)) float32 array
        Its luma at half size, as `sharpness.laplacian_energy` returns it.
    table : (C, 65536) float32 array
        Linear light by 16-bit code.
    n_threads : int
        Threads to work with.
    """
    shape = raw.shape[:2]
    # Linear before the mean: the mean of encoded values depends on what is in focus.
    step = max(1, int(np.sqrt(shape[0] * shape[1] / LIGHT_SAMPLES)))
    light = linear_samples(raw, table, step)
    cell_shape = reduced_shape(light.shape[:2], LIGHT_CELLS)
    cells = _opencv.area_reduce(light, cell_shape).reshape(*cell_shape, raw.shape[2])
    brightest = functools.reduce(np.maximum, np.moveaxis(light, 2, 0))
    bright = (brightest > BRIGHTEST).astype(np.float32)
    clipped = _opencv.area_reduce(bright, cell_shape)
    luma = _reduced_luma(raw, luma_half, n_threads)
    return ReducedFrame(luma, cells, clipped)


def _reduced_luma(raw: Pixels, luma_half: ImageF32, n_threads: int) -> ImageF32:
    shape = reduced_shape(raw.shape[:2], REGISTRATION_PIXELS)
    if luma_half.shape == shape:
        return luma_half.copy()  # its memory holds the next frame's soon
    luma = luma_half
    if luma_half.size < REGISTRATION_PIXELS:
        luma = np.empty(raw.shape[:2], np.float32)
        scale = np.float32(1 / np.iinfo(raw.dtype).max)
        flat = raw.reshape(raw.shape[0], -1)
        _kernels.run_strips(
            raw.shape[0],
            n_threads,
            lambda a, b: _kernels.luma_rows(flat, raw.shape[2], scale, luma, a, b),
        )
    if luma.shape == shape:
        return luma
    small = np.empty(shape, np.float32)
    _kernels.run_strips(
        shape[0],
        n_threads,
        lambda a, b: _kernels.area_mean_rows(luma, small, a, b),
    )
    return small


def register_pair(
    reference: Prepared,
    moving: Prepared,
    motion: Motion,
    *,
    n_threads: int = 1,
    ecc_pixels: float = ECC_PIXELS,
) -> Registration | None:
    """Register `moving` to `reference`: ECC coarse to fine, then where both are sharp.

    Parameters
    ----------
    reference, moving : Prepared
        The fixed frame, and the one to be registered, of one size.
    motion : str
        Motion model.
    n_threads : int
        Threads to work with.
    ecc_pixels : float
        Size at about which ECC stops and the refinement takes over.

    Returns
    -------
    Registration or None
        None where there is no answer: flat pictures, or pictures of different things.

    Notes
    -----
    ECC stops one level short of the finest and knows no similarity: its affine answer
    is projected. The last step is Gauss-Newton in the motion model itself, weighted by
    the sharpness that both frames share (0.24 px at the corners between neighbours of
    the quality bracket, where a moving camera has parallax; ECC alone 0.78 px).

    References
    ----------
    Evangelidis, G. D. & Psarakis, E. Z. (2008), Parametric image alignment using
    enhanced correlation coefficient maximization, IEEE Trans. PAMI 30, 1858-1865.
    """
    levels = [(reference.luma, moving.luma)]
    while len(levels) < ECC_LEVELS and min(levels[-1][0].shape) // 2 >= MIN_LEVEL_SIDE:
        fixed, other = levels[-1]
        levels.append((_opencv.pyramid_down(fixed), _opencv.pyramid_down(other)))
    skipped = int(np.log2(max(np.sqrt(reference.luma.size / ecc_pixels), 1)) + 0.5)
    coarse = levels[min(skipped, len(levels) - 1) :]
    best: Registration | None = None
    for seed in _seeds(*coarse[-1]):
        found = _ecc_through(coarse, seed, motion)
        if found and (best is None or found.correlation > best.correlation):
            best = found
        if best and best.correlation > SURELY_THE_SAME:
            break
    if best is None:
        return None
    start = at_level(best.mov_to_ref, coarse[0][0].shape, reference.luma.shape)
    job = PairRefinement(reference, moving, motion, n_threads)
    job.weigh_by_sharpness(invert(start))
    refined, _ = job.run(start, until_px=NEAR_ENOUGH_PX)
    return Registration(refined, best.correlation)


def _seeds(reference: ImageF32, moving: ImageF32) -> Iterator[Matrix3x3]:
    """First guesses at the coarsest level: no motion, then the phase correlation's."""
    yield np.eye(3)
    if min(reference.shape) >= 8 and np.ptp(reference) > 0 and np.ptp(moving) > 0:
        # Only here, where it is seldom needed: it takes half a second to load.
        from skimage.registration import phase_cross_correlation  # noqa: PLC0415

        shift, _, _ = phase_cross_correlation(reference, moving, upsample_factor=4)
        seed = np.eye(3)
        # skimage answers the shift that brings `moving` onto `reference`.
        seed[:2, 2] = -float(shift[1]), -float(shift[0])
        yield seed


def _ecc_through(
    levels: list[tuple[ImageF32, ImageF32]], seed: Matrix3x3, motion: Motion
) -> Registration | None:
    """Run ECC from the coarsest level to the finest; `seed` is at the coarsest."""
    ref_to_mov = seed
    correlation = 0.0
    for k in range(len(levels) - 1, -1, -1):
        reference, moving = levels[k]
        if k < len(levels) - 1:
            ref_to_mov = at_level(ref_to_mov, levels[k + 1][0].shape, reference.shape)
        found = _opencv.find_transform_ecc(
            _opencv.gaussian_blur(reference, ECC_SIGMA),
            _opencv.gaussian_blur(moving, ECC_SIGMA),
            ref_to_mov,
            motion,
            ECC_ITERATIONS,
        )
        if found is None:
            return None
        correlation, ref_to_mov = found
        ref_to_mov = project_motion(ref_to_mov, motion, reference.shape)
        if not 0.5 < abs(np.linalg.det(ref_to_mov[:2, :2])) < 2:
            return None
    return Registration(invert(ref_to_mov), min(max(correlation, 0.0), 1.0))


def measure_gain(
    reference: ReducedFrame,
    moving: ReducedFrame,
    mov_to_ref: Matrix3x3,
    shape: tuple[int, int],
) -> LightGain:
    """Exposure of one frame relative to another, per channel.

    Parameters
    ----------
    reference : ReducedFrame
        The frame compared with.
    moving : ReducedFrame
        The frame measured.
    mov_to_ref : (3, 3) array
        Transform between the frames at full size.
    shape : (height, width)
        Full size.
    """
    small = reference.cells.shape[:2]
    to_moving = invert(at_level(mov_to_ref, shape, small))

    def moved(plane: ImageF32) -> ImageF32:
        plane = np.ascontiguousarray(plane)
        return _opencv.warp_linear(plane, to_moving, small, outside=-1.0)

    cells = np.stack([moved(c) for c in np.moveaxis(moving.cells, 2, 0)], axis=-1)
    usable = (moved(moving.clipped) == 0) & (reference.clipped == 0)
    usable &= cells.min(axis=2) >= 0
    return estimate_gain(reference.cells, cells, usable)


def refine_transforms(
    lumas: list[npt.NDArray[np.uint8]],
    transforms: list[Matrix3x3],
    reference: int,
    maps: FocusMaps,
    motion: Motion,
    *,
    n_threads: int = 1,
) -> list[Matrix3x3]:
    """Register neighbours again where they are in focus, and chain to the reference.

    A camera that moves a little between frames has parallax: no one transform fits all
    depths. Each pair is registered with a shift that grows with depth beside the motion
    model, and the chain is followed at the depth where the frame is in focus, which is
    where its pixels end up in the picture.

    Parameters
    ----------
    lumas : list of (h, w) uint8 arrays
        Reduced luma of the used frames.
    transforms : list of (3, 3) arrays
        Frame to reference at the size of `lumas`: where to start.
    reference : int
        Its place in the lists.
    maps : FocusMaps
        On the reference's grid.
    motion : str
        Motion model.
    n_threads : int
        Threads to work with.

    Returns
    -------
    list of (3, 3) float64 arrays
        Frame to reference at the size of `lumas`, exact for what the frame has in focus.

    Notes
    -----
    Weighted Gauss-Newton on band-passed luma, with Cauchy weights against what moved
    and a prior that keeps a pair with hardly anything in focus near its start. Only
    neighbours are compared: their blur is nearly alike. Against the reference itself
    the difference in blur pulls by up to 0.4 px.
    """
    n = len(lumas)
    steps: dict[int, tuple[Matrix3x3, tuple[float, float]]] = {}
    at_once = min(n_threads, PAIRS_AT_ONCE)

    def work(first: int, end: int) -> None:
        # Each pair from the frame nearer to the reference; neighbours share a frame.
        shared: tuple[int, Prepared] | None = None
        for pair in range(first, end):
            inner, k = (pair, pair + 1) if pair >= reference else (pair + 1, pair)
            frames = {
                i: shared[1] if shared and shared[0] == i else _prepared(lumas[i])
                for i in (inner, k)
            }
            job = PairRefinement(frames[inner], frames[k], motion, n_threads // at_once)
            job.weigh_by_depth(maps, transforms[inner], k, inner, n)
            steps[k] = job.run(invert(transforms[inner]) @ transforms[k])
            shared = pair + 1, frames[pair + 1]

    parts = list(iter_strips(n - 1, at_once))
    # OpenCV's own threads would wait for each other.
    with _opencv.single_threaded(), ThreadPoolExecutor(at_once) as pool:
        for done in [pool.submit(work, *part) for part in parts]:
            done.result()
    return [_follow_chain(k, reference, steps, n) for k in range(n)]


def _prepared(luma: npt.NDArray[np.uint8]) -> Prepared:
    return Prepared(luma.astype(np.float32) / np.float32(PUT_BY_STEPS))


def _follow_chain(
    k: int,
    reference: int,
    steps: dict[int, tuple[Matrix3x3, tuple[float, float]]],
    n: int,
) -> Matrix3x3:
    """Transform of frame `k` to the reference for what lies in its plane of focus."""
    total = np.eye(3)
    at = k
    while at != reference:
        step, parallax = steps[at]
        shift = np.eye(3)
        shift[:2, 2] = np.asarray(parallax) * (k - at) / n
        total = shift @ step @ total
        at += -1 if at > reference else 1
    return normalise(total)
