"""What a retoucher looks at first: sharp edges, round highlights, smooth gradients."""

import math

import cv2
import numpy as np
import pytest

from benchmarks.brackets import srgb_encode
from benchmarks.esfr import edge_response
from benchmarks.lens import Canvas, Layer, render_frame, render_truth, steady_camera
from stacker.compute import fuse_frames
from stacker.settings import AlignSettings, FuseSettings

FULL_SCALE = 65535
SIZE = (311, 231)  # width, height
LINEAR = np.linspace(0, 1, FULL_SCALE + 1, dtype=np.float32)[None]
SHARP_SIGMA, SOFT_SIGMA = 0.55, 2.2  # px, of an edge in focus and out of it
EDGE_DEG = 5.1
WINDOW = (46, 32)  # half width and height of the calm part that holds the edge, px
erf = np.vectorize(math.erf)


def edge_frame(scale, shift, sigma, rng):
    """A slanted edge amid waves, exact under scale and shift and Gaussian blur."""
    w, h = SIZE
    y, x = np.mgrid[:h, :w].astype(float)
    u = (x - (w - 1) / 2) * scale + shift[0]
    v = (y - (h - 1) / 2) * scale + shift[1]
    fixed = np.random.default_rng(21)  # the same waves in every frame
    waves = np.zeros_like(u)
    for _ in range(60):
        k = 2 * np.pi / np.exp(fixed.uniform(np.log(5), np.log(60)))
        a, phase = fixed.uniform(0, np.pi), fixed.uniform(0, 2 * np.pi)
        dim = math.exp(-((k * sigma) ** 2) / 2)
        waves += dim * np.cos(k * (u * np.cos(a) + v * np.sin(a)) + phase)
    a = np.radians(EDGE_DEG)
    across = u * np.cos(a) + v * np.sin(a)
    edge = 0.3 + 0.2 * erf(across / (sigma * math.sqrt(2)))
    rim = np.maximum(np.abs(u) / WINDOW[0], np.abs(v) / WINDOW[1])
    inside = 1 / (1 + np.exp((rim - 1) * 12))
    value = inside * edge + (1 - inside) * (0.3 + 0.02 * waves)
    value += 0.001 * rng.standard_normal(value.shape)
    return np.round(np.clip(value, 0, 1) * FULL_SCALE).astype(np.uint16)


def edge_region(frame, scale=1.0, shift=(0.0, 0.0)):
    """The calm part about the edge."""
    cx = (SIZE[0] - 1) / 2 - shift[0] / scale
    cy = (SIZE[1] - 1) / 2 - shift[1] / scale
    rows = slice(round(cy) - 20, round(cy) + 21)
    return frame[rows, round(cx) - 26 : round(cx) + 27]


@pytest.mark.parametrize(
    ("scale", "shift"),
    [(1.0, (0.5, 0.5)), (0.981, (0.27, -0.61)), (1.013, (-1.36, 0.12))],
)
def test_the_fused_edge_is_as_sharp_as_the_sharpest_frames(scale, shift):
    """Slanted-edge MTF50 (ISO 12233) at least 0.97 of the frame that was in focus."""
    rng = np.random.default_rng(22)
    frames = [
        edge_frame(1.0, (0, 0), SOFT_SIGMA, rng),
        edge_frame(scale, shift, SHARP_SIGMA, rng),
        edge_frame(scale**2, (0.4, -0.3), SOFT_SIGMA, rng),
    ]
    settings = FuseSettings(align=AlignSettings(reference=0))
    result = fuse_frames(frames, settings, transfer=LINEAR)
    source = edge_response(edge_region(frames[1], scale, shift)).mtf50
    # known: a Gaussian of so many pixels, drawn in pixels that show `scale` px of scene
    assert source == pytest.approx(0.18739 / SHARP_SIGMA * scale, rel=0.05)
    fused = edge_response(edge_region(result.picture)).mtf50
    assert fused * scale >= 0.97 * source
    assert fused * scale <= 1.08 * source  # not sharpened either


def test_edges_are_not_ringed():
    rng = np.random.default_rng(23)
    frames = [
        edge_frame(1.0, (0, 0), SHARP_SIGMA, rng),
        edge_frame(1.006, (0.3, 0.4), SOFT_SIGMA, rng),
    ]
    settings = FuseSettings(align=AlignSettings(reference=1))
    result = fuse_frames(frames, settings, transfer=LINEAR)
    region = edge_region(result.picture).astype(float) / FULL_SCALE
    noise = 4 * 0.001
    assert region.max() <= 0.5 + noise + 0.004
    assert region.min() >= 0.1 - noise - 0.004


@pytest.fixture(scope="module")
def sparkle():
    """Small highlights a hundred times white on a dark, finely grained ground."""
    canvas = Canvas(width=211, height=141, margin_px=24)
    camera = steady_camera(
        np.random.default_rng(24), 5, (300.0, 340.0), width=211, height=141,
        focal_length_mm=50.0, f_number=8.0, fx_px=1500.0, breathing=0.02,
    )  # fmt: skip
    x, y = canvas.pixels()
    rng = np.random.default_rng(25)
    grain = cv2.GaussianBlur(rng.random(canvas.shape).astype(np.float32), (0, 0), 0.9)
    light = 0.05 + 0.25 * np.clip(grain - 0.35, 0, 1)
    colour = np.repeat(light[..., None], 3, axis=2).astype(np.float32)
    places = [(50, 45, 1.5), (105, 70, 3.0), (160, 95, 2.0)]
    for cx, cy, r in places:
        colour += (
            100 * np.clip(0.5 - 2 * (np.hypot(x - cx, y - cy) - r), 0, 1)[..., None]
        )
    depth = 300 + 40 * np.clip(x / 210, -0.2, 1.2)
    layer = Layer(
        colour=colour.astype(np.float32),
        opacity=np.ones(canvas.shape, np.float32),
        nearness=(1 / depth).astype(np.float32),
    )
    frames = []
    for k in range(5):
        linear = render_frame(camera, [layer], canvas, k)
        linear += 0.0005 * rng.standard_normal(linear.shape).astype(np.float32)
        frames.append(np.round(srgb_encode(linear) * FULL_SCALE).astype(np.uint16))
    double = render_truth(camera, [layer], canvas).picture
    truth = cv2.resize(double, (211, 141), interpolation=cv2.INTER_AREA)
    result = fuse_frames(frames, FuseSettings(align=AlignSettings(reference=2)))
    return srgb_encode(np.asarray(truth, np.float32)), result, frames, places


def test_highlights_stay_round_and_small(sparkle):
    _, result, frames, places = sparkle
    y, x = np.mgrid[:141, :211]
    for cx, cy, _ in places:
        near = np.hypot(x - cx, y - cy) < 14

        def bright(picture, near=near):
            return (picture[..., 1] > 0.7 * FULL_SCALE) & near

        # a hundred times white, the least blur shows: the worst frames are a fifth and
        # more wider than the best
        smallest = min(bright(f).sum() for f in frames)
        fused = bright(result.picture)
        assert fused.sum() <= 1.03**2 * smallest
        # as wide as high, by its second moments
        px, py = x[fused], y[fused]
        assert px.std() == pytest.approx(py.std(), rel=0.15)
        assert (px.mean(), py.mean()) == pytest.approx((cx, cy), abs=0.5)


def test_highlights_are_not_ringed(sparkle):
    truth, result, _, places = sparkle
    picture = result.picture.astype(np.float32) / FULL_SCALE
    y, x = np.mgrid[:141, :211]
    for cx, cy, r in places:
        away = np.hypot(x - cx, y - cy)
        ring = (away > r + 2.5) & (away < r + 9)
        error = picture[ring, 1] - truth[ring, 1]
        assert np.abs(error.mean()) < 0.02
        assert error.min() > -0.06
        assert np.percentile(error, 95) < 0.08


def test_smooth_gradients_have_no_steps():
    """A ramp of two codes a pixel stays one: steps would show as bands on metal."""
    w, h = 401, 203
    y, x = np.mgrid[:h, :w]
    ramp = 20000 + 2.0 * x + 0.5 * y
    rng = np.random.default_rng(26)
    mark = np.zeros((h, w))
    mark[20:60, 20:380] = 4000 * cv2.GaussianBlur(
        rng.standard_normal((40, 360)), (0, 0), 1
    )
    frames = [
        np.round(ramp + gain * mark).astype(np.uint16) for gain in (0.3, 1.0, 0.3)
    ]
    settings = FuseSettings(align=AlignSettings(enabled=False))
    picture = fuse_frames(frames, settings).picture
    calm = picture[100:190, 20:-20].astype(int)
    assert np.abs(calm - ramp[100:190, 20:-20]).max() <= 2
    step = np.diff(calm, axis=1)
    assert step.min() >= 0
    assert step.max() <= 4
