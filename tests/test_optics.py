"""Formulas of focus, aperture and diffraction against printed values.

Sources are named beside each value. "From memory" means that the book or page was not at
hand; every such value was recomputed from its formula on paper first.
"""

from itertools import pairwise
from math import inf, isinf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.aperture import (
    NOMINAL_F_NUMBERS,
    effective_f_number,
    exact_f_number,
    extension_loss,
    light_change,
)
from stacker.diffraction import (
    airy_diameter,
    equivalent_disc,
    lens_mtf,
    microscope_depth,
    mtf50,
    objective_f_number,
)
from stacker.errors import InputError
from stacker.optics import (
    Lens,
    Zone,
    blur_disc,
    breathing,
    close_up_depth,
    coc_for_print,
    continue_focus,
    depth_of_field,
    f_number_covering,
    frames_to_reach,
    hyperfocal_distance,
    lens_distance,
    magnification,
    object_distance,
    sensor_distance,
    steps_in_depths_of_field,
)

GREEN_MM = 550e-6


def lens(focal_length_mm=50.0, f_number=8.0, pupil_magnification=1.0):
    return Lens(
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        pupil_magnification=pupil_magnification,
    )


# --- depth of field ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("focal_length_mm", "near_m", "far_m"),
    [
        (28, 1.80512, inf),
        (35, 2.25122, 17.9225),
        (50, 2.90023, 6.4433),
        (85, 3.53967, 4.59796),
    ],
)
def test_depth_of_field_at_4_m(focal_length_mm, near_m, far_m):
    """Thin-lens near and far limits, H = f^2/(N c) + f: Ray, Applied Photographic
    Optics (2002), ch. 22; formulas from memory, figures as tables at f/8, 4 m,
    c = 0.03 mm give them.
    """
    zone = depth_of_field(lens(focal_length_mm), 4000, 0.03)
    assert zone.near_mm / 1000 == pytest.approx(near_m, abs=6e-6)
    assert zone.far_mm / 1000 == pytest.approx(far_m, abs=6e-5)


def test_hyperfocal_distance():
    """Wikipedia, "Hyperfocal distance": 50 mm, f/8, 0.03 mm gives 10467 mm by
    definition 1 (from memory).
    """
    h = hyperfocal_distance(lens(), 0.03)
    assert h == pytest.approx(10466.67, abs=0.005)
    zone = depth_of_field(lens(), h, 0.03)
    assert isinf(zone.far_mm)
    # "sharp from half the hyperfocal distance": the same article.
    assert zone.near_mm == pytest.approx(h / 2, rel=1e-9)


@pytest.mark.parametrize(("n", "near", "far"), [(3, 4, 2), (5, 6, 4), (7, 8, 6)])
def test_consecutive_depths_of_field(n, near, far):
    """Focused at H/n a lens is sharp from H/(n+1) to H/(n-1): Piper, The First Book of
    the Lens (1901), "consecutive depths of field" (from memory). Exact where f is
    small against the distance, hence the tolerance.
    """
    h = hyperfocal_distance(lens(), 0.03)
    zone = depth_of_field(lens(), h / n, 0.03)
    assert zone.near_mm == pytest.approx(h / near, rel=0.01)
    assert zone.far_mm == pytest.approx(h / far, rel=0.02)


@pytest.mark.parametrize(
    ("pupil_magnification", "n_effective", "depth_mm", "airy_um"),
    [(1.0, 11.2, 0.672, 15.03), (0.5, 16.8, 1.008, 22.55)],
)
def test_close_up_at_life_size(pupil_magnification, n_effective, depth_mm, airy_um):
    """m = 1, f/5.6, c = 0.03 mm. N (1 + m/P) and 2 c N_eff / m^2: Ray (2002), ch. 22;
    the Airy disc 2.44 lambda N: Born & Wolf, 8.5.2; both from memory.
    """
    n_eff = effective_f_number(5.6, 1.0, pupil_magnification)
    assert n_eff == pytest.approx(n_effective, rel=1e-12)
    assert close_up_depth(n_eff, 1.0, 0.03) == pytest.approx(depth_mm, rel=1e-9)
    assert airy_diameter(n_eff, GREEN_MM) * 1000 == pytest.approx(airy_um, abs=0.005)
    # The exact form must agree where the depth is small against the distance.
    long = lens(400, 5.6, pupil_magnification)
    exact = depth_of_field(long, object_distance(long, 1.0), 0.03)
    assert exact.depth_mm == pytest.approx(depth_mm, rel=1e-5)


@pytest.mark.parametrize(("aperture", "depth_um"), [(0.20, 29.4), (0.55, 3.89)])
def test_microscope_depth(aperture, depth_um):
    """Wave term n lambda / NA^2 with n = 1.51, 780 nm: Inoue & Spring, Video Microscopy
    (1997), 2.4, the formula from memory.
    """
    depth_mm = microscope_depth(aperture, 780e-6, 1.51)
    assert depth_mm * 1000 == pytest.approx(depth_um, rel=2e-3)


def test_microscope_objective_agrees_with_the_close_up_form():
    """In air the sensor's term must be what the close-up form gives at M / (2 NA)."""
    n_eff = objective_f_number(0.25, 10)
    assert n_eff == pytest.approx(20)
    sensor_term_mm = microscope_depth(
        0.25, GREEN_MM, coc_over_magnification_mm=0.0075 / 10
    ) - microscope_depth(0.25, GREEN_MM)
    assert sensor_term_mm == pytest.approx(close_up_depth(n_eff, 10, 0.0075))


LENSES = st.builds(
    lens,
    st.floats(20, 300),
    st.floats(1.4, 45),
    st.floats(0.4, 2.5),
)


@given(LENSES, st.floats(1.05, 60), st.floats(0.002, 0.05))
def test_limits_of_the_zone_are_blurred_by_the_criterion(a_lens, focal_lengths, coc_mm):
    """The disc at the limits of the depth of field is the circle of confusion."""
    focus_mm = a_lens.focal_length_mm * focal_lengths
    zone = depth_of_field(a_lens, focus_mm, coc_mm)
    assert zone.near_mm < focus_mm < zone.far_mm
    assert blur_disc(a_lens, zone.near_mm, focus_mm) == pytest.approx(coc_mm, rel=1e-5)
    if not isinf(zone.far_mm):
        far_blur_mm = blur_disc(a_lens, zone.far_mm, focus_mm)
        assert far_blur_mm == pytest.approx(coc_mm, rel=1e-5)


@given(LENSES, st.floats(1.05, 60), st.floats(0.002, 0.05))
def test_f_number_covering_inverts_depth_of_field(a_lens, focal_lengths, coc_mm):
    zone = depth_of_field(a_lens, a_lens.focal_length_mm * focal_lengths, coc_mm)
    if not isinf(zone.far_mm):
        found = f_number_covering(a_lens, zone, coc_mm)
        assert found == pytest.approx(a_lens.f_number, rel=1e-6)


def test_blur_disc_is_the_thin_lens_formula():
    """(f^2/N) |s - z| / (z (s - f)): Kingslake, Optics in Photography (1992), ch. 5,
    from memory. 85 mm, f/2.8, focused at 2 m, a lamp at 5 m:
    7225/2.8 * 3000 / (5000 * 1915) = 0.80847 mm.
    """
    assert blur_disc(lens(85, 2.8), 5000, 2000) == pytest.approx(0.80847, abs=5e-6)
    assert blur_disc(lens(85, 2.8), 2000, 2000) == 0


def test_magnification_and_distances():
    """m = f/(x - f); life size is at 2f from the lens and 4f from the sensor."""
    a_lens = lens(100)
    assert magnification(a_lens, 200) == 1
    assert magnification(a_lens, inf) == 0
    assert isinf(object_distance(a_lens, 0))
    assert sensor_distance(a_lens, 200) == 400
    assert lens_distance(a_lens, sensor_distance(a_lens, 850)) == pytest.approx(850)
    assert isinf(lens_distance(a_lens, inf))


# --- steps and frames ----------------------------------------------------------------


def test_steps_in_depths_of_field_where_zones_touch():
    """Frames at H/3 and H/5 touch at H/4 (Piper 1901, from memory): one depth of field
    apart, up to f against the distance.
    """
    h = hyperfocal_distance(lens(), 0.03)
    focus = [h, h / 3, h / 5]
    assert steps_in_depths_of_field(lens(), focus, 0.03) == pytest.approx(
        [1, 1], rel=0.02
    )
    backwards = steps_in_depths_of_field(lens(), focus[::-1], 0.03)
    assert backwards[::-1] == pytest.approx(
        steps_in_depths_of_field(lens(), focus, 0.03)
    )


@given(LENSES, st.floats(1.2, 30), st.floats(0.005, 0.05))
def test_a_step_of_one_depth_of_field_is_exact(a_lens, focal_lengths, coc_mm):
    """The next frame whose far limit is this one's near limit is one step away."""
    focus_mm = a_lens.focal_length_mm * focal_lengths
    zone = depth_of_field(a_lens, focus_mm, coc_mm)
    # w of the next focus: its far limit w (1 + kappa) = this near limit.
    kappa = a_lens.kappa(coc_mm)
    w = 1 / (a_lens.pupil_magnification + magnification(a_lens, zone.near_mm))
    m_next = (1 + kappa) / w - a_lens.pupil_magnification
    next_mm = object_distance(a_lens, m_next)
    steps = steps_in_depths_of_field(a_lens, [focus_mm, next_mm], coc_mm)
    assert steps == pytest.approx([1], rel=1e-6)


def test_continue_focus_goes_on_evenly_in_inverse_distance():
    focus = [500.0, 1000 / 1.8, 625.0]  # 2.0, 1.8, 1.6 per metre
    assert continue_focus(focus, 2) == pytest.approx([1000 / 1.4, 1000 / 1.2])
    assert continue_focus(focus[::-1], 1) == pytest.approx([1000 / 2.2])


def test_continue_focus_stops_at_infinity():
    added = continue_focus([1000.0, 2000.0], 5)  # 1, 0.5 per metre
    assert added == (inf,)


@pytest.mark.parametrize(
    ("limit_mm", "n"), [(620, 0), (650, 0), (1000 / 1.45, 1), (1000 / 1.2, 2), (400, 0)]
)
def test_frames_to_reach(limit_mm, n):
    """Steps of 0.2 per metre ending at 1.6: 1.5 per metre is reached already."""
    assert frames_to_reach([500.0, 1000 / 1.8, 625.0], limit_mm) == n


def test_frames_to_reach_and_continue_agree():
    focus = [400.0, 410.0, 420.5]
    n = frames_to_reach(focus, 500)
    reached = [*focus, *continue_focus(focus, n)]
    half_step = (1 / focus[-2] - 1 / focus[-1]) / 2
    assert abs(1 / reached[-1] - 1 / 500) <= half_step * 1.05
    assert all(b > a for a, b in pairwise(reached))


def test_breathing_of_a_thin_lens():
    """The image distance is f (1 + m): from infinity to 1:10 the picture grows 10 %."""
    assert breathing(0.1, 0.0) == pytest.approx(0.1)
    assert breathing(0.1, 0.0, 0.5) == pytest.approx(0.2)
    assert breathing(0.1, 0.1) == 0


# --- light ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("engraved", "exact"), [(5.6, 5.657), (11, 11.314), (22, 22.627), (8, 8), (2, 2)]
)
def test_exact_f_numbers(engraved, exact):
    """ISO 517: the engraved numbers round 2^(i/2) (from memory)."""
    assert exact_f_number(engraved) == pytest.approx(exact, abs=5e-4)


def test_nominal_f_numbers_are_third_stops_in_order():
    steps = [light_change(a, b).third_stops for a, b in pairwise(NOMINAL_F_NUMBERS)]
    assert steps == [1] * (len(NOMINAL_F_NUMBERS) - 1)
    assert exact_f_number(6.8) == 6.8  # on no third-stop scale: stands for itself


def test_light_from_13_to_11():
    """2 log2(13/11) = 0.482 by the engraved numbers, a third of a stop by ISO 517."""
    change = light_change(13, 11)
    assert change.engraved_stops == pytest.approx(-0.482, abs=5e-4)
    assert change.third_stops == -1
    assert change.set_stops == pytest.approx(-1 / 3)
    assert light_change(8, 16).set_stops == pytest.approx(2)
    # An f-number off the scale: what to set is the exact change.
    assert light_change(8, 6.8).set_stops == pytest.approx(
        light_change(8, 6.8).engraved_stops
    )


def test_life_size_costs_two_stops():
    """The factor (1 + m)^2 = 4 at life size: Ray (2002), ch. 22, from memory."""
    assert extension_loss(1.0) == pytest.approx(2)


# --- blur criterion, diffraction, MTF ------------------------------------------------


def test_print_criterion():
    """0.2 mm at 250 mm on an 8 x 10 inch print of 24 x 36 mm film: 254 mm / 36 mm = 7.06
    times, 0.028 mm; tables round it to 0.03 (common practice).
    """
    assert coc_for_print(36, 254, 250) == pytest.approx(0.0283, abs=5e-5)
    assert coc_for_print(36, 254, 500) == pytest.approx(2 * 0.0283, abs=1e-4)


def test_lens_mtf_without_defocus_is_the_diffraction_limit():
    """(2/pi)(acos s - s sqrt(1 - s^2)): Goodman, Introduction to Fourier Optics, 6.4
    (from memory).
    """
    s = np.linspace(0, 1.2, 13)
    got = lens_mtf(
        s / (GREEN_MM * 8), defocus_mm=0, effective_number=8, wavelength_mm=GREEN_MM
    )
    inside = np.minimum(s, 1)
    expected = 2 / np.pi * (np.arccos(inside) - inside * np.sqrt(1 - inside**2))
    np.testing.assert_allclose(got, expected, atol=1e-12)


def test_lens_mtf_without_diffraction_is_a_discs():
    """2 J1(x)/x with J1 from its series: Abramowitz & Stegun 9.1.10 (from memory)."""
    frequency = np.array([5.0, 20.0, 35.0, 60.0])
    x = np.pi * 0.02 * frequency
    term, total = np.ones_like(x), np.ones_like(x)
    for k in range(1, 30):
        term = -term * (x / 2) ** 2 / (k * (k + 1))
        total += term
    got = lens_mtf(
        frequency, defocus_mm=0.02, effective_number=1e-6, wavelength_mm=GREEN_MM
    )
    np.testing.assert_allclose(got, total, atol=1e-6)


def test_lens_mtf_with_both_is_the_pupils_autocorrelation():
    """Against the autocorrelation of the defocused pupil by FFT; wavefront error
    d / (8 N) at the rim (Hopkins 1955). Tolerance: the pupil's edge on the grid.
    """
    n, disc_mm, number = 512, 0.012, 8.0
    x = (np.arange(n) - n / 2) / (n / 8)
    r2 = x[:, None] ** 2 + x[None, :] ** 2
    rim_mm = disc_mm / (8 * number)
    pupil = (r2 <= 1) * np.exp(2j * np.pi / GREEN_MM * rim_mm * r2)
    otf = np.fft.ifft2(np.abs(np.fft.fft2(pupil)) ** 2).real[0]
    k = np.arange(0, n // 4, 5)
    shift = k * (x[1] - x[0])
    got = lens_mtf(
        shift / 2 / (GREEN_MM * number),
        defocus_mm=disc_mm,
        effective_number=number,
        wavelength_mm=GREEN_MM,
    )
    np.testing.assert_allclose(got, otf[k] / otf[0], atol=2e-3)


def test_mtf50_of_known_apertures():
    """A square pixel alone: sinc(x) = 0.5 at 0.60335 (solved by hand); diffraction
    alone: 0.404 of the cut-off (Goodman, from the formula above).
    """
    pixel = mtf50(
        defocus_mm=0,
        effective_number=1e-4,
        wavelength_mm=GREEN_MM,
        pitch_mm=0.004,
    )
    assert pixel * 0.004 == pytest.approx(0.60335, abs=5e-6)
    diffraction = mtf50(defocus_mm=0, effective_number=8, wavelength_mm=GREEN_MM)
    assert diffraction * GREEN_MM * 8 == pytest.approx(0.404, abs=5e-4)


def test_equivalent_disc_of_defocus_alone_is_itself():
    disc = equivalent_disc(
        defocus_mm=0.01, effective_number=1e-3, wavelength_mm=GREEN_MM
    )
    assert disc == pytest.approx(0.01, rel=1e-4)


# --- impossible input ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: lens(focal_length_mm=0), "focal length"),
        (lambda: lens(f_number=-8), "f-number"),
        (lambda: lens(f_number=float("nan")), "f-number"),
        (lambda: magnification(lens(), 50), "focal length"),
        (lambda: magnification(lens(), -1), "distance"),
        (lambda: lens_distance(lens(), 199), "four focal"),
        (lambda: depth_of_field(lens(), 4000, 7.5), "opening"),
        (lambda: depth_of_field(lens(), 4000, 0), "circle of confusion"),
        (lambda: microscope_depth(1.2, GREEN_MM), "numerical aperture"),
        (lambda: continue_focus([800.0], 1), "two different"),
        (lambda: frames_to_reach([800.0, 800.0], 900), "two different"),
        (lambda: exact_f_number(0), "f-number"),
    ],
)
def test_impossible_input_is_named(call, words):
    with pytest.raises(InputError, match=words):
        call()


def test_zone_depth():
    assert Zone(near_mm=400, far_mm=450).depth_mm == 50
