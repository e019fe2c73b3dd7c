"""Focus brackets of layered scenes as a thin lens sees them, with exact geometry.

A scene is a few layers in depth order. For each frame every layer is projected with
exact sub-pixel phase, blurred with the disc (or polygon) that a thin lens gives its
depth there, and composited near to far with its blurred opacity, so that a near edge
out of focus lets the background shine through as it does in a camera. Linear light
throughout; highlights may exceed 1.

Read in this order: `Camera` (geometry), `Layer`, `render_frame`, `render_truth`.

What is approximate: a layer's blur varies slowly (each output pixel gathers with its own
disc), and two layers that are out of focus at one place are blurred independently.
"""

from dataclasses import dataclass, field
from functools import cache
from typing import Any

import cv2
import numba
import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

TEXELS_PER_PX = 2  # layers are drawn at twice the frames' resolution
FINE_RADIUS_PX = 3.0  # larger discs are gathered on the pixel grid, smaller on texels
RADIUS_STEPS = 32  # steps of the tabled blur radius per texel or pixel
EDGE_STEPS = 8  # samples per texel along an aperture's rim
BLUR_MARGIN_PX = 16  # largest blur radius; the frame is rendered this much wider


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A thin lens in front of a pixel grid, and how it moves over a bracket.

    Attributes
    ----------
    width, height : int
        Frame size in pixels.
    focal_length_mm, f_number : float
        The lens; aperture diameter is their quotient.
    fx_px : float
        Image distance of the middle frame in pixels.
    focus_mm : (n,) float array
        Focus distance of each frame.
    breathing : float
        Relative change of `fx_px` from the last frame to the first.
    shift_mm, pointing_px : (n, 2) float arrays
        Sideways shift of the lens (true parallax) and of the picture.
    roll_deg : (n,) float array
        Rotation about the optical axis.
    blades : int
        0 = round aperture, otherwise a polygon of so many sides (even).
    """

    width: int
    height: int
    focal_length_mm: float
    f_number: float
    fx_px: float
    focus_mm: F64
    breathing: float
    shift_mm: F64
    pointing_px: F64
    roll_deg: F64
    blades: int = 0

    @property
    def n_frames(self) -> int:
        """Frames in the bracket."""
        return len(self.focus_mm)

    @property
    def middle(self) -> int:
        """The frame whose geometry the truth has."""
        return self.n_frames // 2

    def fx_of(self, k: int) -> float:
        """Image distance of frame `k` in pixels: nearer focus, narrower field."""
        q = 1 / self.focus_mm
        part = (q[k] - q[self.middle]) / (q.max() - q.min())
        return float(self.fx_px * (1 + self.breathing * part))

    def blur_px(self, k: int, depth_mm: float) -> float:
        """Diameter of the blur disc in frame `k` for a point at a depth.

        Thin lens: A * v * |1/s - 1/z| with aperture A, image distance v (pixels), focus
        distance s and depth z (e.g. Potmesil & Chakravarty 1981).
        """
        nearness = abs(1 / self.focus_mm[k] - 1 / depth_mm)
        return float(self.focal_length_mm / self.f_number * self.fx_of(k) * nearness)

    def from_middle(self, k: int, depth_mm: float) -> F64:
        """Matrix that maps middle-frame pixels at a depth to pixels of frame `k`."""
        scale = self.fx_of(k) / self.fx_px
        a = np.deg2rad(self.roll_deg[k])
        rot = scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        centre = np.array([self.width - 1, self.height - 1]) / 2
        moved = self.pointing_px[k] + self.fx_of(k) * self.shift_mm[k] / depth_mm
        out = np.eye(3)
        out[:2, :2] = rot
        out[:2, 2] = centre + moved - rot @ centre
        return out

    def to_middle(self, k: int) -> F64:
        """Matrix that maps frame `k`'s pixels in its plane of focus to the middle's."""
        there = self.from_middle(k, float(self.focus_mm[k]))
        return np.asarray(np.linalg.inv(there), np.float64)


def steady_camera(
    rng: np.random.Generator,
    n_frames: int,
    near_far_mm: tuple[float, float],
    **lens: Any,
) -> Camera:
    """Build a camera on a stand: foci even in 1/distance, small random movements."""
    near, far = near_far_mm
    q = np.linspace(1 / near, 1 / far, n_frames)
    still = np.ones((n_frames, 1))
    still[n_frames // 2] = 0
    return Camera(
        focus_mm=1 / q,
        shift_mm=0.06 * still * rng.standard_normal((n_frames, 2)),
        pointing_px=1.2 * still * rng.standard_normal((n_frames, 2)),
        roll_deg=0.03 * still[:, 0] * rng.standard_normal(n_frames),
        **lens,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """One surface, drawn on a canvas that is wider than the frame on every side.

    Attributes
    ----------
    colour : (h, w, 3) float32 array
        Linear light; 1 = diffuse white, highlights above it.
    opacity : (h, w) float32 array
        0..1.
    nearness : (h, w) float32 array
        1 / depth in 1/mm, smooth, defined also where the layer is transparent.
    kind : int
        0 opaque, 1 metal.
    """

    colour: F32
    opacity: F32
    nearness: F32
    kind: int = 0
    premultiplied: F32 = field(init=False, repr=False)
    busy: npt.NDArray[np.uint8] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        rgba = np.dstack([self.colour * self.opacity[..., None], self.opacity])
        object.__setattr__(self, "premultiplied", rgba.astype(np.float32))
        # the 5 x 5 spline kernel reaches two texels
        reach = cv2.dilate(
            (self.opacity > 0).astype(np.uint8), np.ones((7, 7), np.uint8)
        )
        object.__setattr__(self, "busy", reach.astype(np.uint8))


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """The grid on which layers are drawn: half-pixel texels and a margin."""

    width: int
    height: int
    margin_px: int = 48

    @property
    def shape(self) -> tuple[int, int]:
        """Texel rows and columns."""
        m = 2 * self.margin_px
        return (self.height + m) * TEXELS_PER_PX, (self.width + m) * TEXELS_PER_PX

    def pixels(self) -> tuple[F32, F32]:
        """(x, y) of every texel centre in middle-frame pixels, each (h, w) float32."""
        h, w = self.shape
        x = (
            (np.arange(w, dtype=np.float32) + 0.5) / TEXELS_PER_PX
            - 0.5
            - self.margin_px
        )
        y = (
            (np.arange(h, dtype=np.float32) + 0.5) / TEXELS_PER_PX
            - 0.5
            - self.margin_px
        )
        grid_x, grid_y = np.meshgrid(x, y)
        return grid_x.astype(np.float32), grid_y.astype(np.float32)


# --- the aperture's shape as gather kernels ------------------------------------------


def _coverage(radius: float, half: int, blades: int) -> F64:
    """Area of a disc or polygon within each cell of a (2 half + 1)^2 grid, sum 1."""
    n = (2 * half + 1) * EDGE_STEPS
    at = (np.arange(n) + 0.5) / EDGE_STEPS - half - 0.5
    x, y = np.meshgrid(at, at)
    rho = np.hypot(x, y)
    rim: float | F64 = radius
    if blades:
        step = 2 * np.pi / blades
        # radius of the circle of the same area, so that "radius" keeps its meaning
        outer = radius * np.sqrt(np.pi / (blades / 2 * np.sin(step)))
        bend = np.mod(np.arctan2(y, x), step) - step / 2
        rim = outer * np.cos(step / 2) / np.cos(bend)
    inside = np.clip((rim - rho) * EDGE_STEPS + 0.5, 0, 1)
    cells = inside.reshape(2 * half + 1, EDGE_STEPS, 2 * half + 1, EDGE_STEPS)
    k = cells.mean((1, 3))
    return np.asarray(k / k.sum(), np.float64)


def _variance(k: F64) -> float:
    at = np.arange(len(k)) - len(k) // 2
    return float(((k.sum(0) + k.sum(1)) / 2 * at**2).sum())


@cache
def aperture_kernels(
    max_radius: float, blades: int, *, widen: bool
) -> tuple[F32, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Table the blur kernels for radii 0, 1/32, 2/32 ... `max_radius`.

    A kernel has the second moment of the ideal shape exactly (a disc of radius R has
    R^2 / 4 per axis), so that blur is right to a fraction of a texel also where the disc
    is smaller than one. With `widen` each is convolved with the 2 x 2 texels of a pixel.

    Returns
    -------
    weights : (k,) float32, start : (n,) int64, side : (n,) int64
        Kernel i is ``weights[start[i] : start[i] + side[i] ** 2]``, row by row.
    """
    half = int(np.ceil(max_radius)) + 1
    big = _coverage(8.0, 9, blades)
    moment = (_variance(big) - 1 / 12) / 64  # the grid itself adds 1/12
    tried = np.concatenate(
        [np.linspace(0.4, 3, 209), np.linspace(3.05, half, 8 * half)]
    )
    got = [_variance(_coverage(r, int(np.ceil(r)) + 1, blades)) for r in tried]
    radii = np.arange(int(max_radius * RADIUS_STEPS) + 1) / RADIUS_STEPS
    chosen = np.interp(moment * radii**2, np.maximum.accumulate(got), tried)
    parts, start, side, total = [], [], [], 0
    for r in chosen:
        k = _coverage(r, int(np.ceil(r)) + 1, blades)
        if widen:
            wide = np.zeros((len(k) + 1, len(k) + 1))
            for dy in (0, 1):
                for dx in (0, 1):
                    wide[dy : dy + len(k), dx : dx + len(k)] += k / 4
            k = wide
        parts.append(k.ravel())
        start.append(total)
        side.append(len(k))
        total += k.size
    weights = np.concatenate(parts).astype(np.float32)
    return weights, np.array(start, np.int64), np.array(side, np.int64)


# --- compiled loops ------------------------------------------------------------------


@numba.njit(nogil=True, cache=True)
def _quartic_weights(t, out):
    """Five weights of the quartic B-spline (a pixel's area of a cubic spline surface)."""
    # integral of the cubic B-spline over one cell, t in [-0.5, 0.5] from its centre
    for i in range(5):
        x = abs(i - 2 - t)
        if x < 0.5:
            out[i] = 115 / 192 - 5 / 8 * x * x + x**4 / 4
        elif x < 1.5:
            out[i] = 55 / 96 + 5 / 24 * x - 5 / 4 * x * x + 5 / 6 * x**3 - x**4 / 6
        elif x < 2.5:
            out[i] = (2.5 - x) ** 4 / 24
        else:
            out[i] = 0.0


@numba.njit(nogil=True, cache=True)
def _project(  # noqa: PLR0913, PLR0917 - plain arrays for the compiler
    texels, nearness, busy, inverse, parallax, margins, out, out_near
):
    """Sample a layer on a frame's texel grid: quartic B-spline, exact phase.

    `inverse` (2, 3) maps frame pixels to middle pixels for a point at infinity,
    `parallax` (2,) is the frame's shift per unit of nearness, `margins` the canvas's and
    the frame's margin in pixels.
    """
    h, w = nearness.shape
    rows, cols = out_near.shape
    wx = np.empty(5)
    wy = np.empty(5)
    for v in range(rows):
        y = (v + 0.5) / 2 - 0.5 - margins[1]
        for u in range(cols):
            x = (u + 0.5) / 2 - 0.5 - margins[1]
            q = nearness[h // 2, w // 2]
            ty = tx = 0.0
            i0 = j0 = 2
            for _ in range(
                3
            ):  # parallax depends on the depth found there: converges fast
                px, py = x - parallax[0] * q, y - parallax[1] * q
                mx = inverse[0, 0] * px + inverse[0, 1] * py + inverse[0, 2]
                my = inverse[1, 0] * px + inverse[1, 1] * py + inverse[1, 2]
                tx = (mx + 0.5 + margins[0]) * 2 - 0.5
                ty = (my + 0.5 + margins[0]) * 2 - 0.5
                i0 = min(max(int(np.rint(ty)), 2), h - 3)
                j0 = min(max(int(np.rint(tx)), 2), w - 3)
                q = nearness[i0, j0]
            out_near[v, u] = q
            out[v, u, :] = 0
            if not busy[i0, j0]:
                continue
            _quartic_weights(ty - i0, wy)
            _quartic_weights(tx - j0, wx)
            for i in range(5):
                for j in range(5):
                    wt = wy[i] * wx[j]
                    for c in range(4):
                        out[v, u, c] += wt * texels[i0 + i - 2, j0 + j - 2, c]


@numba.njit(nogil=True, cache=True)
def _gather(  # noqa: PLR0913, PLR0917 - plain arrays for the compiler
    fine, coarse, near, busy, focus, per_nearness, margin, fine_k, coarse_k, out
):
    """Blur a projected layer: every output pixel gathers with its own disc."""
    fine_w, fine_start, fine_side = fine_k
    coarse_w, coarse_start, coarse_side = coarse_k
    rows, cols = out.shape[:2]
    for y in range(rows):
        cy = y + margin
        for x in range(cols):
            cx = x + margin
            out[y, x, :] = 0
            if not busy[cy, cx]:
                continue
            q = (near[2 * cy, 2 * cx] + near[2 * cy + 1, 2 * cx + 1]) / 2
            radius = abs(q - focus) * per_nearness / 2  # pixels
            if radius < FINE_RADIUS_PX:
                i = int(np.rint(radius * 2 * RADIUS_STEPS))
                side, at = fine_side[i], fine_start[i]
                top, left = 2 * cy - side // 2 + 1, 2 * cx - side // 2 + 1
                source, weights = fine, fine_w
            else:
                i = min(int(np.rint(radius * RADIUS_STEPS)), len(coarse_side) - 1)
                side, at = coarse_side[i], coarse_start[i]
                top, left = cy - side // 2, cx - side // 2
                source, weights = coarse, coarse_w
            for r in range(side):
                for s in range(side):
                    wt = weights[at + r * side + s]
                    if wt > 0:
                        for c in range(4):
                            out[y, x, c] += wt * source[top + r, left + s, c]


# --- rendering -----------------------------------------------------------------------


def render_frame(camera: Camera, layers: list[Layer], canvas: Canvas, k: int) -> F32:
    """One frame in linear light, (H, W, 3) float32. `layers` go from near to far."""
    m = BLUR_MARGIN_PX
    h1, w1 = camera.height + 2 * m, camera.width + 2 * m
    infinity = np.linalg.inv(camera.from_middle(k, np.inf))[:2]
    parallax = camera.fx_of(k) * camera.shift_mm[k]
    aperture = camera.focal_length_mm / camera.f_number
    fine_k = aperture_kernels(FINE_RADIUS_PX * 2, camera.blades, widen=True)
    coarse_k = aperture_kernels(float(m - 2), camera.blades, widen=False)
    picture = np.zeros((camera.height, camera.width, 3), np.float32)
    through = np.ones((camera.height, camera.width, 1), np.float32)
    fine = np.empty((2 * h1, 2 * w1, 4), np.float32)
    near = np.empty((2 * h1, 2 * w1), np.float32)
    blurred = np.empty((camera.height, camera.width, 4), np.float32)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * m - 1, 2 * m - 1))
    for layer in layers:
        margins = np.array([canvas.margin_px, m], np.float64)
        _project(
            layer.premultiplied, layer.nearness, layer.busy,
            infinity, parallax, margins, fine, near,
        )  # fmt: skip
        coarse = cv2.resize(fine, (w1, h1), interpolation=cv2.INTER_AREA)
        reach = cv2.dilate((coarse[..., 3] > 0).astype(np.uint8), disc)
        _gather(
            fine, coarse, near, reach, 1 / camera.focus_mm[k],
            aperture * camera.fx_of(k), m, fine_k, coarse_k, blurred,
        )  # fmt: skip
        picture += through * blurred[..., :3]
        through *= 1 - blurred[..., 3:]
    return picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What no photograph has, in the middle frame's geometry at twice its resolution.

    Attributes
    ----------
    picture : (2H, 2W, 3) float32 array
        All in focus, linear light; averaging 2 x 2 gives the middle frame's grid.
    depth_mm : (2H, 2W) float32 array
    kind : (2H, 2W) uint8 array
    """

    picture: F32
    depth_mm: F32
    kind: npt.NDArray[np.uint8]


def render_truth(camera: Camera, layers: list[Layer], canvas: Canvas) -> Truth:
    """All-in-focus picture, depth and class of the nearest surface."""
    still = np.array([[1.0, 0, 0], [0, 1.0, 0]])
    shape = (2 * camera.height, 2 * camera.width)
    picture = np.zeros((*shape, 3), np.float32)
    through = np.ones((*shape, 1), np.float32)
    nearness = np.zeros(shape, np.float32)
    kind = np.zeros(shape, np.uint8)
    seen = np.zeros(shape, bool)
    texels = np.empty((*shape, 4), np.float32)
    near = np.empty(shape, np.float32)
    margins = np.array([canvas.margin_px, 0], np.float64)
    for layer in layers:
        _project(
            layer.premultiplied, layer.nearness, layer.busy,
            still, np.zeros(2), margins, texels, near,
        )  # fmt: skip
        picture += through * texels[..., :3]
        through *= 1 - texels[..., 3:]
        mine = ~seen & (texels[..., 3] > 0.5)
        nearness[mine] = near[mine]
        kind[mine] = layer.kind
        seen |= mine
    with np.errstate(divide="ignore"):
        depth = np.where(seen, 1 / nearness, 0).astype(np.float32)
    return Truth(picture=picture, depth_mm=depth, kind=kind)
