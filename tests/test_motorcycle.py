"""A bracket of an open photograph with measured depth: the Middlebury motorcycle.

Scharstein, Hirschmueller, Kitajima, Krathwohl, Nesic, Wang, Westling: "High-resolution
stereo datasets with subpixel-accurate ground truth", GCPR 2014; picture and disparity as
the scikit-image wheel carries them. Depth Z = baseline * focal length / (d + offset) with
the calibration that comes with the pair. The picture is cut into slices by depth, each
blurred as a thin lens would at its distance, so that all-in-focus picture, depth, scale
and shifts are known exactly.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from skimage.data import stereo_motorcycle
from skimage.metrics import peak_signal_noise_ratio, structural_similarity

from benchmarks.brackets import depth_steps, expose, srgb_decode, srgb_encode
from benchmarks.lens import Camera, Canvas, Layer, render_frame, render_truth
from benchmarks.measure import corner_error_px
from stacker.compute import fuse_frames
from stacker.settings import AlignSettings, FuseSettings

BASELINE_MM, FOCAL_PX, OFFSET_PX = 193.001, 994.978, 31.086
CANVAS = Canvas(width=322, height=214, margin_px=16)
N_SLICES, N_FRAMES = 12, 6
INSIDE = (slice(14, -14), slice(14, -14))


@dataclass(frozen=True)
class Motorcycle:
    camera: Camera
    frames: list[np.ndarray]
    truth: np.ndarray  # encoded, on the middle frame's grid
    depth: np.ndarray  # fractional frame number, same grid
    steps: np.ndarray  # near a depth step


def slices(picture, nearness):
    """Cut a picture into layers of one depth each, continued behind what is nearer."""
    edges = np.quantile(nearness, np.linspace(0, 1, N_SLICES + 1))
    number = np.clip(np.searchsorted(edges, nearness) - 1, 0, N_SLICES - 1)
    layers = []
    for j in reversed(range(N_SLICES)):  # nearest first
        mine_or_farther = (number <= j).astype(np.uint8)
        # colour of the nearest pixel of this slice or one behind it
        _, label = cv2.distanceTransformWithLabels(
            1 - mine_or_farther, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
        )
        at = np.zeros(label.max() + 1, np.int64)
        at[label[mine_or_farther > 0]] = np.flatnonzero(mine_or_farther)
        colour = picture.reshape(-1, 3)[at[label]]
        q = np.float32(nearness[number == j].mean())
        layers.append(
            Layer(
                colour=colour,
                opacity=(number >= j).astype(np.float32),
                nearness=np.full(nearness.shape, q, np.float32),
            )
        )
    return layers


@pytest.fixture(scope="module")
def motorcycle():
    left, _, disparity = stereo_motorcycle()
    h, w = CANVAS.shape
    colour = srgb_decode((left[:h, :w] / 255).astype(np.float32))
    d = disparity[:h, :w].astype(np.float32)
    unknown = (~np.isfinite(d)).astype(np.uint8)
    d = cv2.inpaint(
        np.where(unknown, 0, d).astype(np.float32), unknown, 3, cv2.INPAINT_NS
    )
    nearness = (d + OFFSET_PX) / (BASELINE_MM * FOCAL_PX)
    layers = slices(colour, nearness.astype(np.float32))
    q = [float(layer.nearness[0, 0]) for layer in layers]
    rng = np.random.default_rng(12)
    still = np.ones((N_FRAMES, 1))
    still[N_FRAMES // 2] = 0
    camera = Camera(
        width=CANVAS.width,
        height=CANVAS.height,
        focal_length_mm=120.0,
        f_number=1.4,  # opens so far that depths two metres away part
        fx_px=FOCAL_PX / 2,
        focus_mm=1 / np.linspace(max(q), min(q), N_FRAMES),
        breathing=0.02,
        shift_mm=np.zeros((N_FRAMES, 2)),
        pointing_px=still * rng.uniform(-1.5, 1.5, (N_FRAMES, 2)),
        roll_deg=still[:, 0] * rng.uniform(-0.1, 0.1, N_FRAMES),
    )
    frames = []
    for k in range(N_FRAMES):
        clean = render_frame(camera, layers, CANVAS, k)
        seen = srgb_encode(expose(clean, np.random.default_rng(k), 1.0, clip=True))
        frames.append(np.round(seen * 65535).astype(np.uint16))
    truth = render_truth(camera, layers, CANVAS)
    size = (CANVAS.width, CANVAS.height)
    linear = cv2.resize(truth.picture, size, interpolation=cv2.INTER_AREA)
    focus_q = 1 / camera.focus_mm
    number = np.interp(
        -1 / truth.depth_mm[::2, ::2], -focus_q, np.arange(N_FRAMES)
    ).astype(np.float32)
    steps = cv2.dilate(depth_steps(number).astype(np.uint8), np.ones((9, 9), np.uint8))
    return Motorcycle(
        camera=camera,
        frames=frames,
        truth=srgb_encode(np.asarray(linear, np.float32)),
        depth=number,
        steps=steps > 0,
    )


@pytest.fixture(scope="module")
def fused(motorcycle):
    settings = FuseSettings(align=AlignSettings(reference=motorcycle.camera.middle))
    return fuse_frames(motorcycle.frames, settings)


def test_registration_finds_the_known_shift_roll_and_scale(motorcycle, fused):
    size = (CANVAS.width, CANVAS.height)
    camera = motorcycle.camera
    for k, record in enumerate(fused.frames):
        known = camera.to_middle(k)
        # 0.1 px is asked of one plane (test_registration); here the corners follow from
        # parts of a small picture, at steps of depth that move with the blur
        assert corner_error_px(record.transform, known, size) < 0.15, k
        scale = np.sqrt(np.linalg.det(record.transform[:2, :2]))
        assert scale == pytest.approx(camera.fx_px / camera.fx_of(k), abs=3e-4)


def test_fused_picture_is_near_the_known_all_in_focus_one(motorcycle, fused):
    picture = fused.picture.astype(np.float32) / np.float32(65535)
    truth = motorcycle.truth[INSIDE]

    def psnr(p):
        return peak_signal_noise_ratio(truth, p[INSIDE], data_range=1)

    singles = [
        psnr(f.astype(np.float32) / np.float32(65535)) for f in motorcycle.frames
    ]
    assert psnr(picture) > singles[motorcycle.camera.middle] + 6
    assert psnr(picture) > 33
    similar = structural_similarity(
        truth, picture[INSIDE], channel_axis=-1, data_range=1, gaussian_weights=True,
        sigma=1.5, use_sample_covariance=False,
    )  # fmt: skip
    assert similar > 0.96


def test_depth_follows_the_measured_depth(motorcycle, fused):
    error = np.abs(fused.depth_in_frames() - motorcycle.depth)[INSIDE]
    sure = (fused.confidence >= 128)[INSIDE] & ~motorcycle.steps[INSIDE]
    assert sure.mean() > 0.3
    assert np.median(error[sure]) < 0.12
    assert np.percentile(error[sure], 90) < 0.5
    found = fused.depth_in_frames()[INSIDE][sure]
    assert np.corrcoef(found, motorcycle.depth[INSIDE][sure])[0, 1] > 0.9
