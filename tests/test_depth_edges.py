"""Depth at the edges of things: a near board before a far one, seen by a thin lens."""

from dataclasses import dataclass

import cv2
import numpy as np
import pytest

from benchmarks.brackets import srgb_encode
from benchmarks.drawing import inside, tint
from benchmarks.lens import Camera, Canvas, Layer, render_frame, steady_camera
from stacker.compute import fuse_frames
from stacker.edges import hidden_share
from stacker.frame import FusionResult
from stacker.inspection import blur_per_frame
from stacker.settings import AlignSettings, FuseSettings

SIZE = (301, 203)  # width, height
NEAR, FAR, N_FRAMES = 0.5, 5.5, 7  # frame numbers of the two boards
INSIDE = (slice(16, -16), slice(16, -16))


@dataclass(frozen=True)
class Boards:
    camera: Camera
    frames: list[np.ndarray]
    is_near: np.ndarray
    blur_px: float  # radius that a blur disc gains per frame
    hidden: np.ndarray  # px from the edge, of what the near board's blur reaches; or 0


@pytest.fixture(scope="module")
def boards():
    width, height = SIZE
    canvas = Canvas(width=width, height=height, margin_px=24)
    camera = steady_camera(
        np.random.default_rng(31), N_FRAMES, (250.0, 329.0), width=width, height=height,
        focal_length_mm=50.0, f_number=4.0, fx_px=1500.0, breathing=0.03,
    )  # fmt: skip
    q = 1 / camera.focus_mm
    x, y = canvas.pixels()
    edge = inside((x - 150 - 24 * np.sin(y / 31)).astype(np.float32))
    rng = np.random.default_rng(32)
    layers = [
        Layer(
            colour=tint(canvas.shape, rng, colour),
            opacity=opacity,
            nearness=np.full(
                canvas.shape, np.interp(at, range(N_FRAMES), q), np.float32
            ),
        )
        for colour, opacity, at in (
            ((0.4, 0.22, 0.12), edge, NEAR),
            ((0.2, 0.3, 0.4), np.ones(canvas.shape, np.float32), FAR),
        )
    ]
    frames = []
    for k in range(N_FRAMES):
        linear = render_frame(camera, layers, canvas, k)
        linear += 0.0007 * rng.standard_normal(linear.shape).astype(np.float32)
        frames.append(np.round(srgb_encode(linear) * 65535).astype(np.uint16))
    y, x = np.mgrid[:height, :width]
    is_near = x < 150 + 24 * np.sin(y / 31)
    away = cv2.distanceTransform((~is_near).astype(np.uint8), cv2.DIST_L2, 5)
    blur_px = camera.blur_px(3, float(camera.focus_mm[4])) / 2
    is_hidden = ~is_near & (away < blur_px * (FAR - NEAR))
    return Boards(camera, frames, is_near, blur_px, np.where(is_hidden, away, 0))


def fused(boards, *, is_reversed=False) -> FusionResult:
    frames = boards.frames[::-1] if is_reversed else boards.frames
    settings = FuseSettings(align=AlignSettings(reference=N_FRAMES // 2))
    return fuse_frames(frames, settings)


@pytest.fixture(scope="module")
def result(boards):
    return fused(boards)


def wrong_side_px(depth, boards):
    """Mean distance of the map's step from the picture's edge, both ways."""
    says_near = depth < (NEAR + FAR) / 2
    wrong = (says_near != boards.is_near)[INSIDE]
    return wrong.sum() / wrong.shape[0]


def test_depth_steps_lie_at_the_edge_of_the_picture(boards, result, monkeypatch):
    """Within 0.75 px, where sharpness alone is off by more than 1.5."""
    monkeypatch.setattr("stacker.fusion.follow_picture", lambda place, *_, **__: place)
    plain = fused(boards)
    np.testing.assert_array_equal(plain.picture, result.picture)
    without = wrong_side_px(plain.depth_in_frames(), boards)
    found = wrong_side_px(result.depth_in_frames(), boards)
    assert without > 1.5
    assert found < 0.75


def test_depth_is_right_beside_the_edge(boards, result):
    true = np.where(boards.is_near, NEAR, FAR)
    away = np.minimum(
        *(
            cv2.distanceTransform(m.astype(np.uint8), cv2.DIST_L2, 5)
            for m in (boards.is_near, ~boards.is_near)
        ),
    )
    error = np.abs(result.depth_in_frames() - true)[INSIDE]
    for side in (boards.is_near, ~boards.is_near):
        beside = (side & (np.maximum(away, 0) < 8))[INSIDE]
        assert np.median(error[beside]) < 0.2


@pytest.mark.parametrize("is_reversed", [False, True])
def test_what_the_near_board_hides_is_marked(boards, result, is_reversed, monkeypatch):
    """Beside the edge, on the far side alone, as far as the board's blur reaches."""
    marked = fused(boards, is_reversed=True) if is_reversed else result
    monkeypatch.setattr("stacker.compute.blur_per_frame", lambda _: 0.0)
    plain = fused(boards, is_reversed=is_reversed)
    np.testing.assert_array_equal(plain.picture, marked.picture)
    reach = boards.blur_px * (FAR - NEAR)
    before, after = plain.confidence[INSIDE].astype(int), marked.confidence[INSIDE]
    hidden, is_near = boards.hidden[INSIDE], boards.is_near[INSIDE]
    band = (hidden > 1) & (hidden < 0.8 * reach)
    assert band.sum() > 500
    assert np.median(before[band]) > 200
    assert np.mean(after[band] < 64) > 0.9
    beyond = ~is_near & (hidden == 0)
    beyond &= cv2.erode(beyond.astype(np.uint8), np.ones((9, 9))) > 0
    rim = cv2.distanceTransform(is_near.astype(np.uint8), cv2.DIST_L2, 5)
    for untouched in (beyond, rim > 4):
        assert np.mean(after[untouched] == before[untouched]) > 0.99


def test_the_growth_of_blur_is_measured(boards, monkeypatch):
    """From sharpness alone, against what the lens that drew the frames does."""
    found = []

    def noted(reading):
        found.append(blur_per_frame(reading))
        return found[-1]

    monkeypatch.setattr("stacker.compute.blur_per_frame", noted)
    fused(boards)
    fused(boards, is_reversed=True)
    assert found[0] == pytest.approx(boards.blur_px, rel=0.25)
    assert found[1] == pytest.approx(-found[0], rel=0.05)


def test_hidden_reaches_in_proportion_to_the_step():
    place = np.full((61, 81), 6, np.float32)
    place[:, :20] = 2
    for blur_px in (1.5, 4.0):
        share = hidden_share(place, blur_px)[30]
        last = np.flatnonzero(share > 0).max()
        # places are two pixels wide, and a step is known to one of them
        assert last == pytest.approx(19 + 4 * blur_px / 2 + 1, abs=1)
        assert (share[:19] == 0).all()
        far_to_near = hidden_share(6 - place, -blur_px)[30]
        np.testing.assert_allclose(far_to_near, share, atol=1e-5)
    assert (hidden_share(np.full((9, 7), 3, np.float32), 2.0) == 0).all()
