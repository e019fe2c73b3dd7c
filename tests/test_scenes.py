"""The rendered scenes are what they claim: blur, geometry and truth follow the optics."""

import json

import cv2
import numpy as np
import pytest
import tifffile

from benchmarks.lens import (
    Canvas,
    Layer,
    aperture_kernels,
    render_frame,
    render_truth,
    steady_camera,
)
from benchmarks.scenes import SCENES, write_scene

WIDTH, HEIGHT = 137, 91


@pytest.fixture(scope="module")
def camera():
    return steady_camera(
        np.random.default_rng(4),
        5,
        (250.0, 400.0),
        width=WIDTH,
        height=HEIGHT,
        focal_length_mm=50.0,
        f_number=8.0,
        fx_px=1200.0,
        breathing=0.03,
    )


CANVAS = Canvas(width=WIDTH, height=HEIGHT, margin_px=24)


def flat_layer(colour, depth_mm):
    return Layer(
        colour=colour.astype(np.float32),
        opacity=np.ones(CANVAS.shape, np.float32),
        nearness=np.full(CANVAS.shape, 1 / depth_mm, np.float32),
    )


def moments(image):
    """Sum, centroid (x, y) and variance along x of a picture of one point."""
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    total = image.sum()
    cx, cy = (image * x).sum() / total, (image * y).sum() / total
    return total, cx, cy, (image * (x - cx) ** 2).sum() / total


@pytest.mark.parametrize("blades", [0, 6])
def test_blur_kernels_have_the_second_moment_of_the_aperture(blades):
    # second moments of area over area: disc R^2 / 4; hexagon of side a 5 a^2 / 24,
    # where the same area pi R^2 makes a^2 = 2 pi R^2 / (3 sqrt(3))
    per_r2 = 0.25 if blades == 0 else 5 * np.pi / (36 * np.sqrt(3))
    weights, start, side = aperture_kernels(6.0, blades, widen=False)
    for radius in (0.25, 0.5, 1.0, 2.5, 5.5):
        i = round(radius * 32)
        k = weights[start[i] : start[i] + side[i] ** 2].reshape(side[i], side[i])
        at = np.arange(side[i]) - side[i] // 2
        assert k.sum() == pytest.approx(1, abs=1e-6)
        spread = ((k.sum(0) + k.sum(1)) / 2 * at**2).sum()
        assert spread == pytest.approx(per_r2 * radius**2, rel=0.02, abs=0.002)


def test_a_point_is_spread_and_moved_as_the_thin_lens_says(camera):
    colour = np.zeros((*CANVAS.shape, 3))
    row, column = CANVAS.shape[0] // 2, CANVAS.shape[1] // 2
    colour[row, column] = 100
    depth = float(camera.focus_mm[camera.middle])
    layers = [flat_layer(colour, depth)]
    at = [(column + 0.5) / 2 - 0.5 - 24, (row + 0.5) / 2 - 0.5 - 24, 1]
    for k in (0, 1, 3, 4):
        image = render_frame(camera, layers, CANVAS, k)[..., 0].astype(np.float64)
        total, cx, cy, spread = moments(image)
        scale = camera.fx_of(k) / camera.fx_px
        assert total == pytest.approx(25 * scale**2, rel=1e-4)  # 4 texels a pixel
        x, y, _ = camera.from_middle(k, depth) @ at
        assert (cx, cy) == pytest.approx((x, y), abs=0.06)
        # pixel and texel add 1/12 + 5/48 - 1/48 = 1/6 px^2 at most
        disc = camera.blur_px(k, depth) ** 2 / 16
        assert disc < spread < disc + 0.2


def test_the_focused_middle_frame_is_the_truth(camera):
    rng = np.random.default_rng(5)
    layers = [
        flat_layer(
            rng.random((*CANVAS.shape, 3)), float(camera.focus_mm[camera.middle])
        )
    ]
    frame = render_frame(camera, layers, CANVAS, camera.middle)
    truth = render_truth(camera, layers, CANVAS)
    mean = cv2.resize(truth.picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    np.testing.assert_allclose(frame, mean, atol=1e-5)


def test_a_near_edge_out_of_focus_lets_the_background_shine_through(camera):
    near = Layer(
        colour=np.zeros((*CANVAS.shape, 3), np.float32),
        opacity=(CANVAS.pixels()[0] < WIDTH / 2).astype(np.float32),
        nearness=np.full(CANVAS.shape, 1 / 250, np.float32),
    )
    white = flat_layer(np.ones((*CANVAS.shape, 3)), 400.0)
    frame = render_frame(camera, [near, white], CANVAS, 4)
    radius = camera.blur_px(4, 250.0) / 2
    row = frame[HEIGHT // 2, :, 0]
    # share of a disc to one side of a chord through its centre is one half
    assert row[round(WIDTH / 2 - radius - 4)] == pytest.approx(0, abs=1e-3)
    assert row[round(WIDTH / 2 + radius + 4)] == pytest.approx(1, abs=1e-3)
    grey = np.flatnonzero((row > 0.02) & (row < 0.98))
    assert len(grey) == pytest.approx(2 * radius, abs=2.5)
    assert row[grey].mean() == pytest.approx(0.5, abs=0.06)


@pytest.mark.parametrize("name", sorted(SCENES))
def test_scene_folder_is_complete(name, tmp_path):
    scene = SCENES[name](np.random.default_rng(1), 0.08)
    write_scene(scene, tmp_path)
    meta = json.loads((tmp_path / "meta.json").read_text())
    n, w, h = len(meta["frames"]), meta["width"], meta["height"]
    assert len(list(tmp_path.glob("frame_*.tif"))) == n
    assert w != h
    frame = tifffile.imread(tmp_path / "frame_00.tif")
    assert frame.dtype == np.uint16
    assert frame.shape == (h, w, 3)
    aif = tifffile.imread(tmp_path / "aif.tif")
    assert aif.shape == (2 * h, 2 * w, 3)
    depth = tifffile.imread(tmp_path / "depth.tif")
    focus = [f["focus_distance_mm"] for f in meta["frames"]]
    assert min(focus) * 0.99 < depth.min() <= depth.max() < max(focus) * 1.01
    middle = meta["frames"][meta["middle"]]
    np.testing.assert_allclose(middle["H_to_middle"], np.eye(3), atol=1e-12)
