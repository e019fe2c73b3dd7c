"""The figures of merit mean what they say, on pictures whose figures are known."""

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage.metrics import peak_signal_noise_ratio

from benchmarks.baselines import (
    METHODS,
    align_frames,
    collapse,
    laplacian_pyramid,
    merge_mertens,
    upper_reference,
)
from benchmarks.brackets import (
    expose,
    sample_bracket,
    scene_bracket,
    shoulder,
    srgb_decode,
    srgb_encode,
    transfer_curves,
)
from benchmarks.measure import (
    corner_error_px,
    delta_e,
    fine_noise,
    overshoot,
    psnr,
    score_depth,
    score_picture,
    score_transforms,
    ssim_map,
)

SHARED = Path(__file__).parent.parent.parent / "shared"


@pytest.fixture(scope="module")
def sample():
    return sample_bracket()


def test_truth_scores_perfect(sample):
    truth = sample.truth
    scores = score_picture(truth.picture, truth, truth.picture)
    assert scores["psnr_all"] == pytest.approx(120)
    assert scores["ssim"] == pytest.approx(1)
    assert scores["delta_e"] == pytest.approx(0, abs=1e-9)
    assert scores["overshoot"] == 0
    assert score_depth(truth.depth, truth) == {"depth_mae": 0, "depth_p95": 0}
    size = (720, 480)
    assert score_transforms(sample.transforms, sample.transforms, size) == {
        "align_px": 0,
        "align_px_worst": 0,
    }


def test_noise_shows_in_psnr_and_in_noise_but_not_in_colour(sample):
    truth = sample.truth
    noise = np.random.default_rng(1).normal(0, 0.01, truth.picture.shape)
    noisy = (truth.picture + noise).astype(np.float32)
    everywhere = np.ones(truth.depth.shape, bool)
    theirs = peak_signal_noise_ratio(truth.picture, noisy, data_range=1)
    assert psnr(noisy, truth.picture, everywhere) == pytest.approx(theirs, abs=0.01)
    # a 7 x 7 mean takes 1 / 49 of the variance away
    expected = 0.01 * math.sqrt(48 / 49)
    assert fine_noise(noisy, truth.picture, truth.flat) == pytest.approx(
        expected, rel=0.02
    )
    # flat: C2 / (C2 + variance of luma) with C2 = 0.03^2 (Wang et al. 2004)
    variance = 1e-4 * (0.2126**2 + 0.7152**2 + 0.0722**2)
    similarity = ssim_map(noisy, truth.picture)[truth.flat].mean()
    assert similarity == pytest.approx(9e-4 / (9e-4 + variance), abs=0.01)
    assert delta_e(noisy, truth.picture, truth.inside) < 1.0


def test_overshoot_counts_rings_beyond_the_range(sample):
    truth = sample.truth
    ringing = truth.picture.copy()
    ringing[200:203, 300:303] = 1.0
    assert truth.picture[195:208, 295:308].max() < 0.9
    counted = overshoot(ringing, truth.picture, truth.inside)
    # the 3 x 3 mean spreads the 9 pixels to 25, the outermost too weak to count
    assert 5000 / truth.inside.sum() < counted < 25000 / truth.inside.sum()


def test_corner_error_is_the_largest_distance():
    turned = np.array([[1, 0, 3.0], [0, 1, 4.0], [0, 0, 1]])
    assert corner_error_px(turned, np.eye(3), (41, 31)) == pytest.approx(5)
    grown = np.diag([1.01, 1.01, 1])
    assert corner_error_px(grown, np.eye(3), (41, 31)) == pytest.approx(0.5)


@pytest.mark.parametrize("kind", ["srgb", "gamma", "linear"])
def test_transfer_curves_invert_each_other(kind):
    decode, encode = transfer_curves(kind, 2.2)
    v = np.linspace(0, 1, 257, dtype=np.float32)
    np.testing.assert_allclose(encode(decode(v)), v, atol=1e-5)


def test_srgb_curve_at_published_points():
    # IEC 61966-2-1: 18 % grey is code 0.46135613; the pieces meet at 0.0031308
    assert srgb_encode(np.array([0.18], np.float32))[0] == pytest.approx(
        0.46135613, abs=1e-6
    )
    assert srgb_decode(np.array([0.04045], np.float32))[0] == pytest.approx(
        0.0031308, abs=1e-6
    )


def test_exposure_has_the_noise_of_photons_and_reading():
    dark, bright = np.full((300, 211), 0.01), np.full((300, 211), 0.5)
    for light in (dark, bright):
        seen = expose(
            light.astype(np.float32), np.random.default_rng(2), 1.1, clip=False
        )
        level = 1.1 * light[0, 0]
        assert seen.mean() == pytest.approx(level, rel=0.01)
        sigma = math.sqrt(level * 30000 + 16) / 30000
        assert seen.std() == pytest.approx(sigma, rel=0.02)


def test_shoulder_keeps_highlights_apart_below_white():
    x = np.array([0.5, 0.85, 1.0, 2.0], np.float32)
    y = shoulder(x)
    assert y[:2].tolist() == x[:2].tolist()
    assert 0.85 < y[2] < y[3] < 1


def test_pyramid_of_the_plain_methods_is_exact():
    # Burt & Adelson 1983: the pyramid holds the picture exactly
    image = np.random.default_rng(3).random((67, 91, 3)).astype(np.float32)
    np.testing.assert_allclose(collapse(laplacian_pyramid(image)), image, atol=1e-6)


def test_plain_methods_pick_the_sharp_halves():
    rng = np.random.default_rng(4)
    grain = rng.random((96, 131, 3)).astype(np.float32)
    sharp = np.asarray(cv2.GaussianBlur(grain, (0, 0), 0.8), np.float32)
    soft = np.asarray(cv2.GaussianBlur(sharp, (0, 0), 3.0), np.float32)
    left, right = sharp.copy(), sharp.copy()
    left[:, 65:], right[:, :65] = soft[:, 65:], soft[:, :65]
    inside = np.ones(sharp.shape[:2], bool)
    inside[:, 50:80] = False
    one = psnr(left, sharp, inside)
    for name, method in METHODS.items():
        fused = psnr(method([left, right]), sharp, inside)
        assert fused > one + (2 if method is merge_mertens else 12), name
    assert psnr(upper_reference([left, right], sharp), sharp, inside) > 60


def test_aligned_frames_fit_the_truth_in_place_and_light(sample):
    gains = sample.gains / sample.gains[sample.reference]
    aligned = align_frames(sample, sample.transforms, gains)
    best = upper_reference(aligned, sample.truth.picture)
    # published upper reference of this scene type: within noise of the frames
    assert psnr(best, sample.truth.picture, sample.truth.inside) > 35


@pytest.mark.skipif(not SHARED.exists(), reason="the clean scenes are not here")
def test_frames_made_here_equal_those_of_the_scenes_own_camera(tmp_path):
    import subprocess
    import sys

    scene = SHARED / "brackets" / "sample"
    script = SHARED / "brackets" / "degrade.py"
    subprocess.run(
        [
            sys.executable,
            script,
            scene,
            tmp_path,
            "--seed",
            "11",
            "--flash-sigma",
            "0.02",
        ],
        check=True,
        capture_output=True,
    )
    made = scene_bracket(scene, seed=11)
    read = scene_bracket(scene, delivered=tmp_path)
    for a, b in zip(made.frames, read.frames, strict=True):
        np.testing.assert_array_equal(a, b)
    np.testing.assert_allclose(made.truth.picture, read.truth.picture, atol=1e-6)
