"""The fine step of registration: weighted Gauss-Newton on band-passed luma."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from stacker import _kernels, _opencv
from stacker.depth import FocusMaps
from stacker.frame import ImageF32, Matrix3x3
from stacker.geometry import corner_distance, invert, normalise
from stacker.settings import Motion

__all__ = ["PairRefinement", "Prepared"]

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
# eight frames ends 0.18 px off, without 0.03.
BAND_LOW_SIGMA, BAND_HIGH_SIGMA = 1.2, 8.0
EDGE_MARGIN_PX = int(2 * BAND_HIGH_SIGMA)
FOCUS_REACH_FRAMES = 2.0
OUT_OF_FOCUS_WEIGHT = 0.1
# The bands are smooth: every second pixel each way holds nearly all there is to know.
SAMPLE_STEP = 2
# Fewer do to come near.
FIRST_SAMPLE_STEP, NEARLY_THERE_PX = 4, 0.1
REFINE_STEPS = 10
CONVERGED_PX = 0.003
# Priors: corner error of the start, parallax over the whole bracket, contrast.
START_SIGMA_PX = 1.0
PARALLAX_SIGMA_PX = 2.0
CONTRAST_SIGMA = 0.1


@dataclass(frozen=True)
class Prepared:
    """A frame as registration looks at it; what is computed once is kept.

    Attributes
    ----------
    luma : (h, w) float32 array, range [0, 1]
        Encoded luma.
    """

    luma: ImageF32 = field(repr=False)

    @cached_property
    def _smooth(self) -> ImageF32:
        return _opencv.gaussian_blur(self.luma, BAND_LOW_SIGMA)

    @cached_property
    def band(self) -> ImageF32:
        """Band of the picture that defocus leaves alike and lighting leaves alone."""
        return self._smooth - _opencv.broad_blur(self.luma, BAND_HIGH_SIGMA)

    @cached_property
    def sharp(self) -> ImageF32:
        """Laplacian energy, its noise blurred away, for weights only."""
        return _opencv.laplacian_energy(self._smooth, SHARED_SIGMA)


class PairRefinement:
    """Registration of one frame to its neighbour: weighted Gauss-Newton.

    Parameters
    ----------
    fixed, moving : Prepared
        Frames of one size.
    motion : str
        Motion model.
    n_threads : int
        Threads to work with.
    """

    def __init__(
        self, fixed: Prepared, moving: Prepared, motion: Motion, n_threads: int
    ) -> None:
        self.frames = fixed, moving
        self.fixed, self.moving = fixed.band, moving.band
        self.n_params = N_PARAMETERS[motion]
        self.n_threads = n_threads
        height, width = self.fixed.shape
        # Nearer to the edge the band holds what lies beyond it; small pictures keep half.
        self.margin = max(1, min(EDGE_MARGIN_PX, min(self.fixed.shape) // 8))
        self.centre = ((width - 1) / 2, (height - 1) / 2)
        self.unit = max(float(np.hypot(*self.centre)), 1.0)

    def weigh_by_depth(
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
        # In place: fresh memory costs as much as the arithmetic.
        near = index - np.float32((k + inner) / 2)
        near *= np.float32(np.sqrt(0.5) / FOCUS_REACH_FRAMES)
        near *= near
        np.exp(np.negative(near, out=near), out=near)
        near += np.float32(OUT_OF_FOCUS_WEIGHT)
        near *= certainty
        self.focus = near
        index -= np.float32(k)
        index *= np.float32(1 / n)
        self.behind = index

    def weigh_by_sharpness(self, to_moving: Matrix3x3) -> None:
        """Set what counts: places that are sharp in both frames."""
        fixed, moving = self.frames
        shape = self.fixed.shape
        there = _opencv.warp_linear(moving.sharp, to_moving, shape, outside=0.0)
        shared = np.minimum(fixed.sharp, there)
        self.focus = shared / np.float32(max(float(shared.mean()), 1e-20))
        self.behind = np.zeros(shape, np.float32)

    def run(
        self, start: Matrix3x3, *, until_px: float = CONVERGED_PX
    ) -> tuple[Matrix3x3, tuple[float, float]]:
        """Gauss-Newton from `start` until the corners move by less than `until_px`.

        Returns the transform for what the moving frame has in focus, and the parallax.
        """
        n_params = self.n_params
        transform = start
        parallax = np.zeros(2)
        noise = max(float(np.sqrt(np.mean(self.fixed * self.fixed))), 1e-6)
        sample_step = FIRST_SAMPLE_STEP
        for _ in range(REFINE_STEPS):
            normal, right, cost, mass = self._sums(
                transform, parallax, noise, sample_step
            )
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
            distance = corner_distance(moved, np.eye(3), self.fixed.shape)
            if distance < until_px and sample_step == SAMPLE_STEP:
                break
            if distance < NEARLY_THERE_PX:
                sample_step = SAMPLE_STEP
        return transform, (float(parallax[0]), float(parallax[1]))

    def _sums(
        self, transform: Matrix3x3, parallax: np.ndarray, noise: float, sample_step: int
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
                sample_step,
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
