"""Registration against known transforms and against an independent method.

The scenes are sums of waves, so that a frame under any transform is exact: no
interpolation stands between the truth and the test.
"""

import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from benchmarks.measure import corner_error_px
from stacker.compute import fuse_frames
from stacker.errors import AlignmentError
from stacker.settings import AlignSettings, FuseSettings

WIDTH, HEIGHT = 331, 223
N_WAVES = 90
MARGIN = (slice(16, -16), slice(16, -16))


def waves(seed):
    """Random plane waves with amplitude 1 / frequency, 3 to 150 px long."""
    rng = np.random.default_rng(seed)
    frequency = 1 / np.exp(rng.uniform(np.log(3), np.log(150), N_WAVES))
    angle = rng.uniform(0, np.pi, N_WAVES)
    k = 2 * np.pi * frequency * np.array([np.cos(angle), np.sin(angle)])
    return k, rng.uniform(0, 2 * np.pi, N_WAVES), frequency**-0.7


def view(seed, to_scene, noise=0.003, gain=1.0):
    """The scene as a 16-bit grey frame, pixel p showing the place ``to_scene @ p``."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    place = to_scene @ np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    px, py = place[0] / place[2], place[1] / place[2]
    (kx, ky), phase, amplitude = waves(seed)
    value = np.zeros(x.size)
    for i in range(N_WAVES):
        value += amplitude[i] * np.cos(kx[i] * px + ky[i] * py + phase[i])
    value = 0.45 + 0.12 * value / np.sqrt((amplitude**2).sum() / 2)
    rng = np.random.default_rng((seed, int(1000 * abs(to_scene[0, 2]))))
    value = value * gain ** (1 / 2.2) + noise * rng.standard_normal(x.size)
    return np.round(np.clip(value, 0, 1) * 65535).astype(np.uint16).reshape(y.shape)


def similarity(scale=1.0, degrees=0.0, dx=0.0, dy=0.0):
    """Growth and turn about the picture's centre, then a shift."""
    a = np.radians(degrees)
    m = scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    centre = np.array([WIDTH - 1, HEIGHT - 1]) / 2
    out = np.eye(3)
    out[:2, :2] = m
    out[:2, 2] = centre - m @ centre + [dx, dy]
    return out


def align(frames, motion="similarity", reference=0, **more):
    settings = AlignSettings(motion=motion, reference=reference)
    return fuse_frames(frames, FuseSettings(align=settings, **more))


def assert_registered(result, known):
    """Known maps frame pixels to scene pixels; the reference is frame 0."""
    base = np.linalg.inv(known[0])
    for k, record in enumerate(result.frames):
        error = corner_error_px(record.transform, base @ known[k], (WIDTH, HEIGHT))
        assert error < 0.1, (k, error)


@pytest.mark.parametrize(
    ("motion", "shift"),
    [
        ("translation", (0.37, -0.81)),
        ("translation", (17.6, 11.3)),
        ("similarity", (-6.25, 3.5)),
    ],
)
def test_shift_agrees_with_truth_and_with_phase_correlation(motion, shift):
    # Guizar-Sicairos, Thurman, Fienup 2008, as scikit-image has it
    moved = similarity(dx=shift[0], dy=shift[1])
    frames = [view(1, np.eye(3)), view(1, moved)]
    result = align(frames, motion)
    assert_registered(result, [np.eye(3), moved])
    window = np.outer(np.hanning(HEIGHT), np.hanning(WIDTH))
    a, b = (f / 65535.0 - 0.45 for f in frames)
    theirs, _, _ = phase_cross_correlation(
        a * window, b * window, upsample_factor=50, normalization=None
    )
    ours = result.frames[1].transform[:2, 2]
    # their window pulls the answer of large shifts a little
    tolerance = 0.1 + 0.01 * np.hypot(*shift)
    assert ours[::-1] == pytest.approx(theirs, abs=tolerance)


@pytest.mark.parametrize("scale", [0.955, 1.006, 1.047])
def test_breathing_is_found_in_both_directions(scale):
    known = [np.eye(3), similarity(scale=scale, degrees=0.08, dx=1.3, dy=-0.7)]
    result = align([view(2, t) for t in known])
    assert_registered(result, known)
    found = np.sqrt(np.linalg.det(result.frames[1].transform[:2, :2]))
    # a tenth of a pixel at the corner, half a diagonal away
    assert found == pytest.approx(scale, abs=0.2 / np.hypot(WIDTH, HEIGHT))


def test_a_chain_does_not_drift():
    known = [similarity(1 + 0.006 * k, 0.05 * k, 0.9 * k, -0.6 * k) for k in range(8)]
    result = align([view(3, t) for t in known])
    assert_registered(result, known)
    assert [f.correlation > 0.9 for f in result.frames] == [True] * 8


@pytest.mark.parametrize(
    ("motion", "matrix"),
    [
        ("affine", [[1.012, 0.006, -2.0], [-0.004, 0.992, 1.4], [0, 0, 1]]),
        ("homography", [[1.008, 0.003, -1.2], [-0.002, 0.997, 0.8], [1e-5, -2e-5, 1]]),
    ],
)
def test_wider_models_find_their_own_transforms(motion, matrix):
    known = [np.eye(3), np.array(matrix)]
    assert_registered(align([view(4, t) for t in known], motion), known)


@pytest.mark.parametrize("knock", [(3.0, -2.0), (-14.0, 9.0)])
def test_a_knocked_frame_is_registered(knock):
    known = [similarity(1 + 0.004 * k, dx=0.3 * k) for k in range(5)]
    known[3] = known[3] @ similarity(dx=knock[0], dy=knock[1])
    result = align([view(5, t) for t in known])
    assert all(f.used for f in result.frames)
    assert_registered(result, known)


def test_light_does_not_move_the_registration():
    known = [np.eye(3), similarity(1.01, 0.1, 2.2, 1.1)]
    frames = [view(6, known[0]), view(6, known[1], gain=0.8)]
    result = align(frames)
    assert_registered(result, known)
    assert result.frames[1].gain_ev[0] == pytest.approx(-np.log2(0.8), abs=0.06)


def test_a_frame_of_another_picture_is_left_out_and_said_so():
    known = [similarity(1 + 0.004 * k) for k in range(4)]
    frames = [view(7, t) for t in known]
    alone = align([frames[0], frames[1], frames[3]])
    frames[2] = view(8, np.eye(3))
    result = align(frames)
    assert [f.used for f in result.frames] == [True, True, False, True]
    assert result.frames[2].share == 0
    assert 2 not in np.unique(result.coverage)
    said = [f for f in result.findings if 2 in f.frames]
    assert said
    assert "2" in said[0].message
    off = result.picture[MARGIN].astype(float) - alone.picture[MARGIN]
    assert np.sqrt((off**2).mean()) < 0.01 * 65535


def test_strict_refuses_a_frame_of_another_picture():
    frames = [view(7, np.eye(3)), view(7, similarity(1.004)), view(8, np.eye(3))]
    with pytest.raises(AlignmentError, match=r"frame 2") as caught:
        align(frames, strict=True)
    assert caught.value.frame_index == 2


def test_switched_off_takes_frames_as_they_lie():
    frames = [view(9, np.eye(3)), view(9, similarity(dx=4.0))]
    result = fuse_frames(frames, FuseSettings(align=AlignSettings(enabled=False)))
    for record in result.frames:
        np.testing.assert_array_equal(record.transform, np.eye(3))
        assert record.correlation == 1
