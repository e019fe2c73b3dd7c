"""The edge measurement finds the known response of edges made by formula."""

import math

import numpy as np
import pytest

from benchmarks.esfr import edge_response

SHAPE = (167, 81)
erf = np.vectorize(math.erf)


def distance_from_edge(angle_deg, shift_px, supersample=1):
    """Signed distance of sample points from a slanted edge through the middle."""
    n = supersample
    y = (np.arange(SHAPE[0] * n) + 0.5) / n - 0.5 - SHAPE[0] / 2
    x = (np.arange(SHAPE[1] * n) + 0.5) / n - 0.5 - SHAPE[1] / 2 - shift_px
    a = np.radians(angle_deg)
    return x[None] * np.cos(a) + y[:, None] * np.sin(a)


def box_edge(angle_deg, shift_px):
    """Edge seen by square pixels without blur: exact area by 32 x 32 samples."""
    n = 32
    inside = np.clip(distance_from_edge(angle_deg, shift_px, n) * n + 0.5, 0, 1)
    return inside.reshape(SHAPE[0], n, SHAPE[1], n).mean((1, 3))


@pytest.mark.parametrize("angle_deg", [2.9, -5.1, 8.3])
@pytest.mark.parametrize("shift_px", [0.0, 0.37])
def test_box_pixel(angle_deg, shift_px):
    # across a slanted edge a square pixel is sinc(f cos a) sinc(f sin a);
    # upright: sinc(f) = 1/2 at f = 0.60335
    a = np.radians(angle_deg)
    f = np.linspace(0.5, 0.7, 4001)
    known = np.interp(-0.5, -np.sinc(f * np.cos(a)) * np.sinc(f * np.sin(a)), f)
    assert np.interp(-0.5, -np.sinc(f), f) == pytest.approx(0.60335, abs=5e-6)
    found = edge_response(0.1 + 0.7 * box_edge(angle_deg, shift_px))
    assert found.mtf50 == pytest.approx(known, rel=0.01)
    assert found.angle_deg == pytest.approx(-angle_deg, abs=0.05)


@pytest.mark.parametrize("sigma", [0.6, 1.0, 2.0])
def test_gaussian_blur(sigma):
    # exp(-2 (pi sigma f)^2) = 1/2 at f = sqrt(ln 2 / 2) / (pi sigma) = 0.18739 / sigma
    edge = 0.5 + 0.5 * erf(distance_from_edge(5.1, 0.2) / (sigma * np.sqrt(2)))
    assert edge_response(edge).mtf50 == pytest.approx(0.18739 / sigma, rel=0.01)


def test_direction_and_brightness_do_not_matter():
    edge = box_edge(5.1, 0.2)
    known = edge_response(edge).mtf50
    for turned in (edge[:, ::-1], edge[::-1], edge.T, 1 - edge, 9 * edge + 4):
        assert edge_response(turned).mtf50 == pytest.approx(known, rel=1e-6)


def test_noise_of_a_camera_moves_the_answer_little():
    rng = np.random.default_rng(6)
    edge = box_edge(5.1, 0.2) + 0.005 * rng.standard_normal(SHAPE)
    assert edge_response(edge).mtf50 == pytest.approx(0.605, rel=0.03)
