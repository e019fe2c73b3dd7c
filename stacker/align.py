"""Registration: where each frame's pixels lie in the master, and how bright it is.

Reading order: `reduce_frame` makes the small copies that registration works on;
`register_pair` is ECC between neighbours, coarse to fine, which `compute` chains;
`refine_transforms` then registers each frame to the reference again, over the places
where that frame is in focus, because a camera that moves a little has parallax and only
there does it matter.
"""

from dataclasses import dataclass

import numpy as np

from stacker import _kernels, _opencv
from stacker.depth import FocusMaps
from stacker.frame import ImageF32, Matrix3x3, Pixels, TransferTable
from stacker.geometry import (
    at_level,
    corner_distance,
    invert,
    normalise,
    project_motion,
    reduced_shape,
)
from stacker.light import BRIGHTEST, LightGain, estimate_gain, linear_samples
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
# Light is measured on about this many cells.
LIGHT_CELLS = 60_000
LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # ITU-R BT.709-6, 3.2
ECC_SIGMA = 1.2
ECC_LEVELS = 4
# ECC only has to come near: the refinement finds its way from a pixel or two.
ECC_PIXELS = 1.5e5
ECC_ITERATIONS = 60
MIN_LEVEL_SIDE = 48
# Neighbours of one bracket correlate above this; then no other start is tried.
SURELY_THE_SAME = 0.9
# Pooling, in pixels, of the sharpness that weighs a registration.
SHARED_SIGMA = 3.0
N_PARAMETERS: dict[Motion, int] = {
    "translation": 2,
    "similarity": 4,
    "affine": 6,
    "homography": 8,
}
# Refinement: band of the pictures compared, and how many frames round the middle between
# two neighbours their places count fully (measured on ray-traced brackets: reaching 5
# frames doubles the error, because defocus passes for motion at one-sided texture). At
# the edges the band is made of reflections, which do not breathe: with them a chain of
# eight frames ends 0.14 px off, without 0.03.
BAND_LOW_SIGMA, BAND_HIGH_SIGMA = 1.2, 8.0
EDGE_MARGIN_PX = int(2 * BAND_HIGH_SIGMA)
FOCUS_REACH_FRAMES = 2.0
OUT_OF_FOCUS_WEIGHT = 0.1
# The bands are smooth: every second pixel each way holds nearly all there is to know.
SAMPLE_STEP = 2
REFINE_STEPS = 10
CONVERGED_PX = 0.003
# Priors: corner error of the start, parallax over the whole bracket, contrast.
START_SIGMA_PX = 1.0
PARALLAX_SIGMA_PX = 2.0
CONTRAST_SIGMA = 0.1


@dataclass(frozen=True, slots=True)
class ReducedFrame:
    """Small copies of one frame.

    Attributes
    ----------
    luma : (h, w) float32 array, range [0, 1]
        Encoded luma, at most about two megapixels.
    cells : (h', w', C) float32 array, range [0, 1]
        Linear light, tens of thousands of cells.
    clipped : (h', w') float32 array, range [0, 1]
        Fraction of each cell that is too bright to be believed.
    """

    luma: ImageF32
    cells: ImageF32
    clipped: ImageF32


@dataclass(frozen=True, slots=True)
class Registration:
    """Answer of `register_pair`: the transform and the ECC value it reached, 0..1."""

    mov_to_ref: Matrix3x3
    correlation: float


def reduce_frame(raw: Pixels, table: TransferTable) -> ReducedFrame:
    """Make the copies that registration and light work on.

    Parameters
    ----------
    raw : (H, W, C) uint8 or uint16 array
        Not modified.
    table : (C, 65536) float32 array
        Linear light by 16-bit code.
    """
    shape = raw.shape[:2]
    small = _opencv.area_reduce(raw, reduced_shape(shape, REGISTRATION_PIXELS))
    small = small.reshape(*small.shape[:2], raw.shape[2])
    value = small.astype(np.float32) * np.float32(1 / np.iinfo(raw.dtype).max)
    # Linear before the mean: the mean of encoded values depends on what is in focus.
    step = max(1, int(np.sqrt(shape[0] * shape[1] / REGISTRATION_PIXELS)))
    light = linear_samples(raw, table, step)
    cell_shape = reduced_shape(light.shape[:2], LIGHT_CELLS)
    cells = _opencv.area_reduce(light, cell_shape).reshape(*cell_shape, raw.shape[2])
    bright = (light.max(axis=2) > BRIGHTEST).astype(np.float32)
    clipped = _opencv.area_reduce(bright, cell_shape)
    luma = value[..., 0] if raw.shape[2] == 1 else value @ LUMA
    return ReducedFrame(np.ascontiguousarray(luma), cells, clipped)


def register_pair(
    reference: ImageF32, moving: ImageF32, motion: Motion, *, n_threads: int = 1
) -> Registration | None:
    """Register `moving` to `reference`: ECC coarse to fine, then where both are sharp.

    Parameters
    ----------
    reference : (h, w) float32 array, range [0, 1]
        Luma of the fixed frame.
    moving : (h, w) float32 array, range [0, 1]
        Luma of the frame to be registered.
    motion : str
        Motion model.
    n_threads : int
        Threads to work with.

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
    levels = [(reference, moving)]
    while len(levels) < ECC_LEVELS and min(levels[-1][0].shape) // 2 >= MIN_LEVEL_SIDE:
        fixed, other = levels[-1]
        levels.append((_opencv.pyramid_down(fixed), _opencv.pyramid_down(other)))
    skipped = int(np.log2(max(np.sqrt(reference.size / ECC_PIXELS), 1)) + 0.5)
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
    start = at_level(best.mov_to_ref, coarse[0][0].shape, reference.shape)
    job = _PairRefinement(_band(reference), _band(moving), motion, n_threads)
    job.weigh_by_sharpness(reference, moving, invert(start))
    return Registration(job.run(start)[0], best.correlation)


def _seeds(reference: ImageF32, moving: ImageF32) -> list[Matrix3x3]:
    """First guesses at the coarsest level: no motion, then the phase correlation's."""
    from skimage.registration import phase_cross_correlation  # noqa: PLC0415

    seeds = [np.eye(3)]
    if min(reference.shape) >= 8 and np.ptp(reference) > 0 and np.ptp(moving) > 0:
        shift, _, _ = phase_cross_correlation(reference, moving, upsample_factor=4)
        seed = np.eye(3)
        # skimage answers the shift that brings `moving` onto `reference`.
        seed[:2, 2] = -float(shift[1]), -float(shift[0])
        seeds.append(seed)
    return seeds


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
    lumas: list[ImageF32],
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
    lumas : list of (h, w) float32 arrays
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
    bands = {reference: _band(lumas[reference])}
    order = [*range(reference + 1, n), *range(reference - 1, -1, -1)]
    for k in order:
        inner = k - 1 if k > reference else k + 1
        if inner == reference:
            bands = {reference: bands[reference]}
        bands[k] = _band(lumas[k])
        job = _PairRefinement(bands[inner], bands[k], motion, n_threads)
        job.weigh(maps, transforms[inner], k, inner, n)
        steps[k] = job.run(invert(transforms[inner]) @ transforms[k])
    return [_follow_chain(k, reference, steps, n) for k in range(n)]


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


def _sharpness(luma: ImageF32) -> ImageF32:
    """Laplacian energy of reduced luma, its noise blurred away, for weights only."""
    return _opencv.laplacian_energy(
        _opencv.gaussian_blur(luma, BAND_LOW_SIGMA), SHARED_SIGMA
    )


def _band(luma: ImageF32) -> ImageF32:
    """Band of the picture that defocus leaves alike and lighting leaves alone."""
    return _opencv.gaussian_blur(luma, BAND_LOW_SIGMA) - _opencv.gaussian_blur(
        luma, BAND_HIGH_SIGMA
    )


class _PairRefinement:
    """Registration of one frame to its neighbour, both band-passed."""

    def __init__(
        self, fixed: ImageF32, moving: ImageF32, motion: Motion, n_threads: int
    ) -> None:
        self.fixed, self.moving = fixed, moving
        self.n_params = N_PARAMETERS[motion]
        self.n_threads = n_threads
        height, width = fixed.shape
        # Nearer to the edge the band holds what lies beyond it; small pictures keep half.
        self.margin = max(1, min(EDGE_MARGIN_PX, min(fixed.shape) // 8))
        self.centre = ((width - 1) / 2, (height - 1) / 2)
        self.unit = max(float(np.hypot(*self.centre)), 1.0)

    def weigh(
        self, maps: FocusMaps, to_master: Matrix3x3, k: int, inner: int, n: int
    ) -> None:
        """Set what counts: places in focus half way between frames `k` and `inner`."""
        shape = self.fixed.shape
        step = np.diag(
            [maps.index.shape[1] / shape[1], maps.index.shape[0] / shape[0], 1]
        )
        step[0, 2], step[1, 2] = (step[0, 0] - 1) / 2, (step[1, 1] - 1) / 2
        index = _opencv.warp_linear(maps.index, step @ to_master, shape)
        certainty = _opencv.warp_linear(maps.certainty, step @ to_master, shape)
        near = (index - np.float32((k + inner) / 2)) / np.float32(FOCUS_REACH_FRAMES)
        inside = np.exp(np.float32(-0.5) * near * near)
        self.focus = certainty * (np.float32(OUT_OF_FOCUS_WEIGHT) + inside)
        self.behind = (index - np.float32(k)) / np.float32(n)

    def weigh_by_sharpness(
        self, fixed: ImageF32, moving: ImageF32, to_moving: Matrix3x3
    ) -> None:
        """Set what counts: places that are sharp in both frames."""
        shape = self.fixed.shape
        there = _opencv.warp_linear(_sharpness(moving), to_moving, shape, outside=0.0)
        shared = np.minimum(_sharpness(fixed), there)
        self.focus = shared / np.float32(max(float(shared.mean()), 1e-20))
        self.behind = np.zeros(shape, np.float32)

    def run(self, start: Matrix3x3) -> tuple[Matrix3x3, tuple[float, float]]:
        """Gauss-Newton from `start` until the corners stand still.

        Returns the transform for what frame `k` has in focus, and the parallax.
        """
        n_params = self.n_params
        transform = start
        parallax = np.zeros(2)
        noise = max(float(np.sqrt(np.mean(self.fixed * self.fixed))), 1e-6)
        for _ in range(REFINE_STEPS):
            normal, right, cost, mass = self._sums(transform, parallax, noise)
            if mass <= 0:
                break
            noise = max(float(np.sqrt(cost / mass)), 1e-7)
            prior = np.full(n_params + 3, (noise / START_SIGMA_PX) ** 2)
            prior[n_params:-1] = (noise / PARALLAX_SIGMA_PX) ** 2
            prior[-1] = (noise / CONTRAST_SIGMA) ** 2
            # The prior pulls towards the start, not towards the last step.
            back = np.zeros(n_params + 3)
            back[:n_params] = self._parameters_of(start @ invert(transform))
            back[n_params:-1] = -parallax
            step = np.linalg.solve(normal + np.diag(prior), right + prior * back)
            moved = self._transform_of(step[:n_params])
            transform = moved @ transform
            transform /= transform[2, 2]
            parallax += step[n_params:-1]
            if corner_distance(moved, np.eye(3), self.fixed.shape) < CONVERGED_PX:
                break
        return transform, (float(parallax[0]), float(parallax[1]))

    def _sums(
        self, transform: Matrix3x3, parallax: np.ndarray, noise: float
    ) -> tuple[np.ndarray, np.ndarray, float, float]:
        to_moving = invert(transform)
        parts: dict[int, tuple[np.ndarray, np.ndarray, float, float]] = {}

        def work(a: int, b: int) -> None:
            parts[a] = _kernels.normal_equations_rows(
                self.fixed,
                self.moving,
                to_moving,
                self.focus,
                self.behind,
                float(parallax[0]),
                float(parallax[1]),
                self.n_params,
                # A Cauchy scale of two standard deviations keeps 90 % efficiency.
                2.0 * noise,
                self.margin,
                SAMPLE_STEP,
                a,
                b,
            )

        _kernels.run_strips(self.fixed.shape[0], self.n_threads, work)
        # Summed in the order of the rows, so that threads do not change the answer.
        normal, right, cost, mass = (
            sum(parts[a][i] for a in sorted(parts)) for i in range(4)
        )
        return np.asarray(normal), np.asarray(right), float(cost), float(mass)

    def _to_unit(self) -> Matrix3x3:
        x, y, u = *self.centre, self.unit
        return np.array([[1 / u, 0, -x / u], [0, 1 / u, -y / u], [0, 0, 1]])

    def _parameters_of(self, change: Matrix3x3) -> np.ndarray:
        """Parameters in pixels at the corner of a transform near the identity."""
        to_unit = self._to_unit()
        m = to_unit @ change @ invert(to_unit)
        m /= m[2, 2]
        p = [
            m[0, 2],
            m[1, 2],
            (m[0, 0] + m[1, 1]) / 2 - 1,
            (m[1, 0] - m[0, 1]) / 2,
            (m[0, 0] - m[1, 1]) / 2,
            (m[0, 1] + m[1, 0]) / 2,
            -m[2, 0],
            -m[2, 1],
        ]
        return np.asarray(p[: self.n_params]) * self.unit

    def _transform_of(self, step: np.ndarray) -> Matrix3x3:
        """Inverse of `_parameters_of`, to first order exact."""
        p = np.zeros(8)
        p[: len(step)] = step / self.unit
        m = np.array(
            [
                [1 + p[2] + p[4], p[5] - p[3], p[0]],
                [p[3] + p[5], 1 + p[2] - p[4], p[1]],
                [-p[6], -p[7], 1.0],
            ]
        )
        to_unit = self._to_unit()
        moved = invert(to_unit) @ m @ to_unit
        return normalise(moved)
