"""Planning: aperture, frames, focus distances, light.

Sources are named beside each printed value; "from memory" means that the book was not at
hand. Everything else is checked against the formulas of `stacker.optics`, which have
their own tests.
"""

from itertools import pairwise
from math import inf, isinf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stacker.diffraction import equivalent_disc
from stacker.errors import InputError
from stacker.optics import Lens, blur_disc, hyperfocal_distance
from stacker.planning import (
    BlurCriterion,
    Camera,
    CloseUp,
    Distances,
    Rig,
    plan_bracket,
)
from stacker.settings import PlanSettings

CAMERA = Camera(sensor_width_mm=44, sensor_height_mm=33, width_px=11656, height_px=8742)


def table_plan(near_mm=700.0, far_mm=820.0, focal_length_mm=90.0, **chosen):
    return plan_bracket(
        CAMERA,
        Rig(focal_length_mm=focal_length_mm),
        Distances(near_mm=near_mm, far_mm=far_mm),
        settings=PlanSettings(**chosen),
    )


# --- frames and focus distances ------------------------------------------------------


def test_one_metre_to_infinity_takes_six_frames():
    """Focus at H, H/3, H/5 ... leaves no gap, and so n frames reach H/(2n): Piper, The
    First Book of the Lens (1901), "consecutive depths of field" (from memory). At
    H = 10.47 m (50 mm, f/8, 0.03 mm) n = 6 frames reach 0.87 m and 5 only 1.05 m.
    """
    plan = plan_bracket(
        CAMERA,
        Rig(focal_length_mm=50),
        Distances(near_mm=1000, far_mm=inf),
        criterion=BlurCriterion.from_coc(CAMERA, 0.03),
        settings=PlanSettings(f_number=8, overlap=0),
    )
    assert plan.chosen.n_frames == 6
    assert plan.hyperfocal_mm == pytest.approx(10466.67, abs=0.005)
    assert plan.positions[0].sharp.near_mm <= 1000
    assert isinf(plan.positions[-1].sharp.far_mm)
    for nearer, farther in pairwise(plan.positions):
        assert farther.sharp.near_mm <= nearer.sharp.far_mm


def test_focus_distances_are_even_in_inverse_distance():
    inverse = [1 / p.distance_mm for p in table_plan().positions]
    np.testing.assert_allclose(np.diff(inverse), np.diff(inverse)[0], rtol=1e-9)


@settings(deadline=None, max_examples=30)
@given(
    near=st.floats(1.5, 30),
    depth=st.floats(0.01, 0.5),
    f_number=st.floats(5.6, 32),
    pupil=st.floats(0.5, 2),
    overlap=st.floats(0, 0.6),
)
def test_no_point_of_the_subject_is_blurred_beyond_the_overlap(
    near, depth, f_number, pupil, overlap
):
    """The promise of a plan: (1 - overlap) of the criterion, ends included; and one
    frame fewer would break it.
    """
    lens = Lens(focal_length_mm=60, f_number=f_number, pupil_magnification=pupil)
    subject = Distances(near_mm=60 * near, far_mm=60 * near * (1 + depth))

    def planned(n_frames=None):
        return plan_bracket(
            CAMERA,
            Rig(focal_length_mm=60, pupil_magnification=pupil),
            subject,
            criterion=BlurCriterion.from_coc(CAMERA, 0.05),
            settings=PlanSettings(
                f_number=f_number, overlap=overlap, n_frames=n_frames, max_frames=9999
            ),
        )

    plan = planned()
    allowed_mm = (1 - overlap) * 0.05
    points = 1 / np.linspace(1 / subject.near_mm, 1 / subject.far_mm, 41)
    softest = max(
        min(blur_disc(lens, z, p.distance_mm) for p in plan.positions) for z in points
    )
    assert softest <= plan.chosen.defocus_mm * (1 + 1e-6)
    assert plan.chosen.defocus_mm <= allowed_mm * (1 + 1e-6)
    n = plan.chosen.n_frames
    assert n == 1 or planned(n - 1).chosen.defocus_mm > allowed_mm


def test_more_overlap_takes_more_frames():
    counts = [table_plan(f_number=11, overlap=o).chosen.n_frames for o in (0, 0.3, 0.6)]
    assert counts[0] < counts[1] < counts[2]
    assert table_plan(f_number=11, overlap=0.3).chosen.least_overlap >= 0.3


def test_rail_at_life_size():
    """m = 1, f/5.6, c = 0.03 mm: depth of field 0.672 mm (2 c N_eff / m^2, Ray 2002, from
    memory); 6.72 mm without overlap are ten frames, 0.672 mm apart.
    """
    plan = plan_bracket(
        CAMERA,
        Rig(),
        CloseUp(magnification=1, depth_mm=6.72),
        criterion=BlurCriterion.from_coc(CAMERA, 0.03),
        settings=PlanSettings(f_number=5.6, overlap=0),
    )
    assert plan.chosen.effective_f_number == pytest.approx(11.2)
    assert plan.chosen.depth_of_field_mm == pytest.approx(0.672)
    assert plan.chosen.airy_mm * 1000 == pytest.approx(15.03, abs=0.005)
    assert plan.chosen.defocus_mm == pytest.approx(0.03)
    travel = [p.travel_mm for p in plan.positions]
    assert travel == pytest.approx([0.672 * i for i in range(10)])
    assert plan.positions[-1].sharp.far_mm == pytest.approx(6.72)
    assert plan.breathing is None
    # The factor (1 + m)^2 = 4 at life size (Ray 2002, from memory).
    assert plan.extension_loss_stops == pytest.approx((2, 2))


def test_lens_and_rail_agree_where_the_depth_is_small():
    """A 2 mm deep subject at 1:5: turning the focus or moving the camera is the same."""
    subject = CloseUp(magnification=0.2, depth_mm=2)
    rig = Rig(focal_length_mm=120)
    wanted = PlanSettings(f_number=8, overlap=0.5)
    rail = plan_bracket(CAMERA, rig, subject, settings=wanted)
    lens = plan_bracket(CAMERA, rig, subject.distances(120), settings=wanted)
    assert lens.chosen.n_frames == rail.chosen.n_frames
    assert lens.chosen.defocus_mm == pytest.approx(rail.chosen.defocus_mm, rel=0.01)


def test_microscope_objective():
    """Wave term n lambda / NA^2 at NA 0.20, n = 1.51, 780 nm: 29.4 um (Inoue & Spring
    1997, 2.4, from memory); the sensor's term n c / (M NA) comes on top.
    """
    plan = plan_bracket(
        CAMERA,
        Rig(numerical_aperture=0.20, medium_index=1.51),
        CloseUp(magnification=10, depth_mm=0.5),
        criterion=BlurCriterion.from_coc(CAMERA, 0.0075),
        settings=PlanSettings(wavelength_nm=780),
    )
    sensor_um = 1.51 * 7.5 / (10 * 0.20)
    assert plan.chosen.depth_of_field_mm * 1000 == pytest.approx(
        29.4 + sensor_um, abs=0.1
    )
    # Half a step off, the cone of half-angle NA / n is 2 z NA / n wide, M times that on
    # the sensor.
    assert plan.chosen.defocus_mm == pytest.approx(
        10 * plan.chosen.near_step_mm * 0.20 / 1.51
    )
    assert plan.chosen.f_number is None
    assert plan.one_frame is None


# --- which aperture ------------------------------------------------------------------


def test_number_of_frames_given_has_an_optimum_inside():
    """Wider is limited by defocus, smaller by diffraction; at the best the two discs
    are of one size (Hansma 1996, from memory: equal where their squares are added).
    """
    plan = table_plan(n_frames=12)
    numbers = [a.f_number for a in plan.apertures]
    assert numbers[0] < plan.sharpest.f_number < numbers[-1]
    sharpness = [a.mtf50_cycles_per_mm for a in plan.apertures]
    best = sharpness.index(max(sharpness))
    assert all(a < b for a, b in pairwise(sharpness[: best + 1]))
    assert all(a > b for a, b in pairwise(sharpness[best:]))
    diffraction_mm = equivalent_disc(
        defocus_mm=0,
        effective_number=plan.sharpest.effective_f_number,
        wavelength_mm=550e-6,
    )
    assert 0.6 < plan.sharpest.defocus_mm / diffraction_mm < 1.6


def test_frames_left_free_favour_the_wider_aperture_up_to_the_limit():
    assert table_plan().sharpest.f_number == 5.6
    limited = table_plan(max_frames=10)
    assert limited.sharpest.f_number > 5.6
    assert limited.chosen.n_frames <= 10
    assert limited.chosen.n_frames_needed > 10
    assert any("An overlap of 30%" in note for note in limited.notes)


def test_an_aperture_asked_for_is_planned_and_compared():
    plan = table_plan(f_number=11)
    assert plan.chosen.f_number == 11
    assert plan.sharpest.f_number == 5.6
    assert plan.chosen.of_best == pytest.approx(
        plan.chosen.mtf50_cycles_per_mm / plan.sharpest.mtf50_cycles_per_mm
    )


def test_one_frame_where_it_does_and_where_it_does_not():
    no = table_plan().one_frame
    assert no.needed_f_number > 32
    assert no.of_bracket < 0.2
    thin = table_plan(700, 703, f_number=8)
    assert thin.chosen.n_frames == 1
    assert thin.chosen.one_frame_covers
    assert thin.one_frame.needed_f_number < 8


def test_one_frame_at_the_hyperfocal_distance():
    """From H/2 to infinity in one frame is what the hyperfocal distance means."""
    lens = Lens(focal_length_mm=50, f_number=8)
    h = hyperfocal_distance(lens, 0.03)
    plan = plan_bracket(
        CAMERA,
        Rig(focal_length_mm=50),
        Distances(near_mm=h / 2, far_mm=inf),
        criterion=BlurCriterion.from_coc(CAMERA, 0.03),
    )
    assert plan.one_frame is not None
    assert plan.one_frame.needed_f_number == pytest.approx(8, rel=1e-6)


# --- light, time, size ---------------------------------------------------------------


def test_light_time_and_size():
    plan = table_plan(
        f_number=11, lights_f_number=13, recycle_s=3, settle_s=1, exposure_s=0.5
    )
    n = plan.chosen.n_frames
    assert plan.chosen.light.engraved_stops == pytest.approx(-0.482, abs=5e-4)
    assert plan.chosen.light.third_stops == -1
    assert plan.chosen.capture_s == pytest.approx(0.5 * n + 3 * (n - 1))
    # 11656 x 8742 pixels of three samples of two bytes.
    assert plan.fusion.master_bytes == 611_380_512
    assert plan.fusion.frames_bytes == n * 611_380_512
    # The picture grows as the image distance f (1 + m).
    m = [p.magnification for p in (plan.positions[0], plan.positions[-1])]
    assert plan.breathing == pytest.approx((1 + m[0]) / (1 + m[1]) - 1)


def test_three_ways_to_say_what_is_sharp_agree():
    by_coc = BlurCriterion.from_coc(CAMERA, 0.03)
    by_pixels = BlurCriterion.from_pixels(CAMERA, by_coc.pixels)
    by_print = BlurCriterion.from_print(CAMERA, by_coc.print_width_mm, 250)
    for other in (by_pixels, by_print):
        assert other.coc_mm == pytest.approx(0.03)
        assert other.pixels == pytest.approx(0.03 / (44 / 11656))
        # 0.2 mm on the print, 0.03 mm on 44 mm of sensor.
        assert other.print_width_mm == pytest.approx(44 * 0.2 / 0.03)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Distances(near_mm=800, far_mm=700), "far must be"),
        (lambda: Distances(near_mm=0, far_mm=700), "near"),
        (lambda: CloseUp(magnification=0, depth_mm=7), "magnification"),
        (lambda: CloseUp(magnification=1, depth_mm=9).distances(4), "rail"),
        (lambda: Rig(pupil_magnification=0), "pupil_magnification"),
        (lambda: Rig(medium_index=0.5), "medium_index"),
        (lambda: BlurCriterion.from_coc(CAMERA, 0), "circle of confusion"),
        (lambda: table_plan(80, 90), "focal length"),
        (lambda: PlanSettings(overlap=1), "overlap"),
        (lambda: PlanSettings(n_frames=0), "n_frames"),
        (lambda: PlanSettings(widest_f_number=16, smallest_f_number=8), "widest"),
        (
            lambda: plan_bracket(
                CAMERA,
                Rig(focal_length_mm=60),
                CloseUp(magnification=1, depth_mm=150),
            ),
            "travel",
        ),
    ],
)
def test_impossible_plans_are_named(call, words):
    with pytest.raises(InputError, match=words):
        call()
