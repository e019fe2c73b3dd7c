"""Sharpness against distance from focus: the law that every judgement rests on."""

import numpy as np
import pytest

from stacker.inspection.focus import (
    against_the_others,
    beyond_the_end,
    fit_cells,
    median_width,
    step_lengths,
)
from stacker.inspection.reading import clusters
from stacker.inspection.steps import SURE

NOISE = 1e-4


def curves(z, peaks, width, *, seed=1, height=1.0):
    """Energies that follow the law, with noise in them."""
    amplitude = height / (1 + ((z[:, None] - peaks) / width) ** 2)
    noise = NOISE * (
        1 + 0.05 * np.random.default_rng(seed).standard_normal(amplitude.shape)
    )
    return amplitude**2 + noise, np.full(amplitude.shape, NOISE)


def test_peak_and_width_come_back():
    z = np.arange(9.0)
    peaks = np.linspace(1.2, 6.8, 53)
    fit = fit_cells(z, *curves(z, peaks, 1.7))
    assert np.abs(fit.peak - peaks).max() < 0.02
    assert median_width(fit) == pytest.approx(1.7, rel=0.02)


def test_cells_that_never_come_into_focus_have_no_peak():
    z = np.arange(9.0)
    energy, noise = curves(z, np.array([12.0, -4.0, 4.0]), 1.7)
    peak = fit_cells(z, energy, noise).peak
    assert np.isnan(peak[:2]).all()
    assert peak[2] == pytest.approx(4, abs=0.02)


def test_a_cell_of_noise_is_not_textured():
    z = np.arange(7.0)
    energy, noise = curves(z, np.full(31, 3.0), 2.0, height=1e-3)
    assert not fit_cells(z, energy, noise).is_textured.any()


def test_two_depths_in_one_cell_leave_one_peak():
    z = np.arange(14.0)
    one, noise = curves(z, np.full(11, 2.0), 1.2)
    other, _ = curves(z, np.full(11, 10.0), 1.2, height=0.9)
    peak = fit_cells(z, one + other, noise).peak
    assert np.abs(peak[np.isfinite(peak)] - 2.0).max() < 0.1


def test_uneven_steps_are_measured_from_sharpness_alone():
    """Lenses that do not breathe leave nothing else to go by."""
    z = np.array([0, 1, 2, 3, 5, 6, 7, 8, 9.0])  # one frame lost
    energy, noise = curves(z, np.linspace(0.5, 8.5, 211), 1.9)
    steps = step_lengths(energy, noise)
    assert steps is not None
    assert steps[3] == pytest.approx(2, abs=0.25)
    assert np.abs(np.delete(steps, 3) - 1).max() < 0.2


@pytest.mark.parametrize("beyond", [0.6, 1.0, 2.0, 3.0])
def test_how_far_beyond_the_end_focus_lies(beyond):
    inwards = np.arange(4.0)
    energy, noise = curves(inwards, np.full(17, -beyond), 1.8)
    likely, at_least = beyond_the_end(inwards, energy, noise, 1.8, sure=SURE)
    assert np.median(likely) == pytest.approx(beyond, abs=0.3)
    assert (at_least <= likely).all()
    assert np.median(at_least) > 0.25
    _, surer = beyond_the_end(inwards, energy, noise, 1.8, sure=2 * SURE)
    assert (surer <= at_least).all()


@pytest.mark.parametrize("inside", [0.0, 0.4, 1.0])
def test_what_peaks_within_the_bracket_is_not_beyond(inside):
    inwards = np.arange(4.0)
    energy, noise = curves(inwards, np.full(17, inside), 1.8)
    _, at_least = beyond_the_end(inwards, energy, noise, 1.8, sure=SURE)
    assert not (at_least > 0.25).any()


def test_a_soft_frame_stands_out_against_the_others():
    z = np.arange(9.0)
    energy, noise = curves(z, np.linspace(1, 7, 91), 1.7)
    energy[4] *= 0.6**2
    softer = against_the_others(z, energy, noise, 1.7)
    lack = np.array(
        [np.nanmedian(row) if np.isfinite(row).any() else 0 for row in softer]
    )
    assert np.argmax(lack) == 4
    assert lack[4] == pytest.approx(-np.log(0.6), abs=0.15)


def test_clusters_touch_by_side_or_corner():
    mask = np.array([[1, 0, 0, 0], [0, 1, 0, 1], [0, 0, 0, 1]], bool)
    found = clusters(mask)
    assert [len(c) for c in found] == [2, 2]
    assert clusters(np.zeros((3, 5), bool)) == []
