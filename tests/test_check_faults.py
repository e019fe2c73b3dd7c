"""Every fault of a bracket is found, and a clean bracket is let pass.

The brackets are the sample's frames, changed in linear light as the fault changes them.
"""

import json
from dataclasses import replace

import numpy as np
import pytest

from benchmarks import check_faults, check_speed
from benchmarks.brackets import srgb_decode, srgb_encode
from benchmarks.faults import FAULTS, moved_by, patched, shaken_by
from benchmarks.shoots import rendered_bracket
from stacker.frame import FrameInfo
from stacker.inspection import find_specks, give_verdict, inspect_bracket
from stacker.inspection.stability import off_the_others
from stacker.light import srgb_transfer
from stacker.roster import Roster

N = 9
FOCUS_MM = 1 / np.linspace(1 / 256, 1 / 412, N)  # as sample_data/README.md says


def survey(frames):
    roster = Roster(frames[0].shape[:2], srgb_transfer(3), n_threads=2)
    for number, frame in enumerate(frames):
        roster.add(number, roster.look(frame))
    return roster.facts()


def infos_of(frames, order, **changes):
    return [
        FrameInfo(
            name=f"shelf_{k}.tif",
            height=frames[0].shape[0],
            width=frames[0].shape[1],
            n_channels=3,
            bit_depth=16,
            **changes,
        )
        for k in order
    ]


def inspected(frames, infos=None):
    infos = infos or infos_of(frames, range(len(frames)))
    return inspect_bracket(survey(frames), infos)


def alarms(findings):
    return [f for f in findings if f.severity != "note"]


def only(findings, code):
    """The one alarm that is expected, and no other."""
    found = alarms(findings)
    assert [f.code for f in found] == [code]
    return found[0]


def changed(frame, change):
    """Change a frame in linear light."""
    linear = srgb_decode((frame / 65535).astype(np.float32))
    return np.round(srgb_encode(change(linear)) * 65535).astype(np.uint16)


def with_frame(frames, k, change):
    return [changed(f, change) if i == k else f for i, f in enumerate(frames)]


@pytest.fixture(scope="module")
def frames(sample):
    return sample.frames


@pytest.fixture(scope="module")
def facts(frames):
    return survey(frames)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_clean_bracket_is_let_pass(frames, seed):
    """An alarm about nothing makes every other alarm worthless."""
    rng = np.random.default_rng(seed)
    gains = np.exp(0.02 * rng.standard_normal(N))
    lit = [changed(f, lambda x, g=g: x * g) for f, g in zip(frames, gains, strict=True)]
    findings = inspected(lit)
    assert alarms(findings) == []
    assert "not_judged" not in [f.code for f in findings]
    verdict = give_verdict(findings, N)
    assert (verdict.level, verdict.message) == ("good", "Complete: 9 frames.")


def test_the_order_may_run_from_far_to_near(frames):
    assert alarms(inspected(frames[::-1])) == []


def test_upright_grey_frames_of_eight_bits_are_judged_as_well(frames):
    """Nothing in the judgement may rest on colour, format or depth of codes."""
    grey = [
        np.ascontiguousarray(np.rot90((f.mean(axis=2) / 257).astype(np.uint8)))
        for f in frames
    ]
    roster = Roster(grey[0].shape, srgb_transfer(1), n_threads=2)
    for number, frame in enumerate([*grey[:4], *grey[5:]]):
        roster.add(number, roster.look(frame))
    found = only(inspect_bracket(roster.facts(), infos_of(grey, range(8))), "gap")
    assert found.frames == (3, 4)


def test_a_lost_frame_leaves_a_gap_with_a_place_and_a_distance(frames):
    kept = [k for k in range(N) if k != 4]
    infos = [
        replace(info, focus_distance_mm=FOCUS_MM[k], focal_length_mm=50.0, f_number=5.6)
        for info, k in zip(infos_of(frames, kept), kept, strict=True)
    ]
    gap = only(inspected([frames[k] for k in kept], infos), "gap")
    assert gap.severity == "reshoot"
    assert gap.frames == (3, 4)
    assert gap.region is not None
    wanted = float(gap.action.split("focus at ")[1].split(" mm")[0])
    assert wanted == pytest.approx(FOCUS_MM[4], rel=0.005)
    # thin lens: (f^2 / N) |s - z| / (z (s - f)), e.g. Potmesil & Chakravarty 1981
    s, z = FOCUS_MM[3], FOCUS_MM[4]
    disc_um = 1000 * 50**2 / 5.6 * abs(s - z) / (z * (s - 50))
    told_um = float(gap.message.split("about ")[1].split(" µm")[0])
    assert told_um == pytest.approx(disc_um, rel=0.1)


@pytest.mark.parametrize(
    ("kept", "code", "frame", "end"),
    [
        (range(2, N), "missing_first_end", 0, "near"),
        (range(N - 2), "missing_last_end", N - 3, "far"),
    ],
)
def test_a_missing_end_is_told_with_what_to_add(frames, kept, code, frame, end):
    infos = [
        replace(info, focus_distance_mm=FOCUS_MM[k])
        for info, k in zip(infos_of(frames, kept), kept, strict=True)
    ]
    found = only(inspected([frames[k] for k in kept], infos), code)
    assert found.severity == "reshoot"
    assert found.frames == (frame,)
    assert f"The {end} end" in found.message
    # the next focus distance, even in 1/distance
    next_one = FOCUS_MM[1] if end == "near" else FOCUS_MM[N - 2]
    first = float(found.action.split("focus at ")[1].split(" mm")[0])
    assert first == pytest.approx(next_one, rel=0.005)
    height, width = frames[0].shape[:2]
    # near things are below, far ones above
    middle = found.region.row + found.region.height / 2
    assert (middle > height / 2) == (end == "near")
    assert found.region.column + found.region.width <= width


def test_a_missing_end_is_told_of_forty_fine_frames_too():
    """What lies ten fine steps beyond the end is not far off: it is missing."""
    bracket = rendered_bracket("wires-still-many", scale=0.3)
    whole = check_faults.inspect(bracket, FAULTS["clean"], seed=1)
    assert alarms(whole) == []
    assert "steps_finer_than_needed" in {f.code for f in whole}
    fault = FAULTS["last quarter missing"]
    found = only(check_faults.inspect(bracket, fault, seed=1), "missing_last_end")
    assert found.severity == "reshoot"
    n_more = int(found.action.split("Add ")[1].split(" frame")[0])
    assert 3 <= n_more <= 15  # ten are missing


def test_steps_too_wide_everywhere_are_told_and_ordinary_ones_pass(frames, facts):
    found = {f.code: f for f in inspected(frames[::2])}
    assert found["steps_too_wide"].severity == "look"
    lost = float(found["steps_too_wide"].message.split("frames ")[1].split(" %")[0])
    assert lost > 50
    notes = {f.code for f in inspect_bracket(facts, infos_of(frames, range(N)))}
    assert not notes & {"steps_too_wide", "steps_finer_than_needed"}


def test_focus_that_did_not_move_is_noticed(frames):
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 60, frames[3].shape)
    again = np.clip(frames[3] + noise, 0, 65535).astype(np.uint16)
    found = only(inspected([*frames[:4], again, *frames[4:]]), "same_focus")
    assert found.frames == (3, 4)


def test_a_copy_of_a_frame_is_noticed(frames):
    found = only(inspected([*frames[:4], frames[3], *frames[4:]]), "duplicate_frame")
    assert found.frames == (3, 4)


def test_wrong_order_is_told_with_the_right_one(frames):
    order = [0, 5, 2, 3, 4, 1, 6, 8, 7]
    found = only(inspected([frames[k] for k in order]), "wrong_order")
    right = [order.index(k) for k in range(N)]
    assert list(found.frames) in (right, right[::-1])


def test_a_frame_of_another_picture_is_named_and_the_rest_judged(frames):
    odd = np.ascontiguousarray(frames[4][::-1, ::-1])
    mixed = [*frames[:4], odd, *frames[4:]]
    found = only(inspected(mixed), "other_picture")
    assert found.frames == (4,)


def test_another_picture_first_does_not_make_the_rest_foreign(frames):
    odd = np.ascontiguousarray(frames[0][:, ::-1])
    found = only(inspected([odd, *frames]), "other_picture")
    assert found.frames == (0,)


def test_a_frame_that_shows_something_else_in_the_same_place_is_told(frames):
    width = frames[4].shape[1]
    other = frames[4].copy()
    half = other[:, width // 4 : 3 * width // 4]
    other[:, width // 4 : 3 * width // 4] = half[::-1, ::-1]
    found = alarms(inspected([*frames[:4], other, *frames[5:]]))
    # its own focus is missing, too
    assert {f.code for f in found} <= {"other_picture", "gap"}
    assert [f.frames for f in found if f.code == "other_picture"] == [(4,)]


def test_frames_that_wander_at_random_are_seldom_called_knocked():
    """One in a hundred brackets, as the F distribution has it; a knock is told."""
    rng = np.random.default_rng(7)
    z = np.arange(10.0)
    n_alarms = 0
    for _ in range(600):
        offset, _, limit = off_the_others(z, rng.normal(0, 1, (10, 2)), 0.1)
        n_alarms += (np.hypot(*offset.T) > limit).any()
    assert 1 <= n_alarms <= 14
    place = rng.normal(0, 0.2, (10, 2)) + 0.3 * z[:, None]  # a slanted axis is no knock
    place[9] += (2.0, -1.5)
    offset, others, limit = off_the_others(z, place, 0.1)
    assert np.flatnonzero(np.hypot(*offset.T) > limit).tolist() == [9]
    assert offset[9] == pytest.approx((2.0, -1.5), abs=0.6)
    assert others[9] == pytest.approx(0.2, abs=0.1)


def test_a_knocked_frame_is_told_with_its_pixels(frames):
    moved = with_frame(frames, 5, lambda x: moved_by(x, 9.0, -4.0))
    found = only(inspected(moved), "frame_knocked")
    assert found.frames == (5,)
    told_px = float(found.message.split("stands ")[1].split(" px")[0])
    assert told_px == pytest.approx(np.hypot(9, 4), abs=2.5)  # frames wander by 1 px


def test_a_knock_that_hides_in_the_wandering_of_all_is_named_in_a_note(frames):
    moved = with_frame(frames, 4, lambda x: moved_by(x, 3.0, -1.0))
    notes = {f.code: f for f in inspected(moved)}
    assert notes["unsteady_frames"].severity == "note"
    assert 4 in notes["unsteady_frames"].frames
    assert "cannot be told" in notes["unsteady_frames"].message


def test_a_set_that_moved_is_told_with_the_frame(frames):
    moved = [
        changed(f, lambda x: moved_by(x, 8.0, 5.0)) if k >= 5 else f
        for k, f in enumerate(frames)
    ]
    found = alarms(inspected(moved))
    assert [f.code for f in found] == ["set_moved"]
    assert found[0].frames[0] == 5


@pytest.mark.parametrize(("stops", "number"), [(0.15, 3), (-0.15, N - 1)])
def test_a_misfire_of_a_seventh_of_a_stop_is_found(sample, stops, number):
    # without the sample's own variation, which may make up for it
    even = [
        changed(f, lambda x, g=g: x / g)
        for f, g in zip(sample.frames, sample.gains, strict=True)
    ]
    findings = inspected(with_frame(even, number, lambda x: x * 2**stops))
    codes = {f.code: f for f in alarms(findings)}
    # more light clips more, and that may be told too
    assert set(codes) <= {"flash_misfire", "highlights_grow"}
    found = codes["flash_misfire"]
    assert found.frames == (number,)
    assert ("brighter" if stops > 0 else "darker") in found.message
    assert found.severity == "look"


def test_light_that_changes_from_frame_to_frame_is_told(frames):
    gains = 2.0 ** (0.15 * np.array([-1, 0, -2, 0, -1, -2, 0, -2, -1]))
    lit = [changed(f, lambda x, g=g: x * g) for f, g in zip(frames, gains, strict=True)]
    varies = only(inspected(lit), "flash_varies")
    assert varies.frames == tuple(range(N))


def test_light_that_fades_is_told_as_drift(frames):
    fading = 2.0 ** np.linspace(0, -0.5, N)
    dim = [
        changed(f, lambda x, g=g: x * g) for f, g in zip(frames, fading, strict=True)
    ]
    found = only(inspected(dim), "flash_drift")
    assert "falls by 0." in found.message


def test_one_frame_at_half_power_is_no_drift_however_few_there_are(frames):
    few = with_frame(frames[2:7], 4, lambda x: x / 2)
    light = [f for f in alarms(inspected(few)) if f.code.startswith("flash")]
    assert [(f.code, f.frames) for f in light] == [("flash_misfire", (4,))]


def test_another_colour_of_the_flash_is_found(frames):
    tint = np.array([1.06, 1.0, 0.93], np.float32)
    found = only(inspected(with_frame(frames, 4, lambda x: x * tint)), "colour_shift")
    assert found.frames == (4,)
    assert "blue" in found.message or "red" in found.message


def test_highlights_that_are_cut_off_are_told_from_a_roll_off(frames):
    cut = [changed(f, lambda x: np.minimum(x * 2, 1)) for f in frames]
    found = [f for f in inspected(cut) if f.code == "highlights_clipped"]
    assert found
    assert found[0].severity == "look"


def test_a_frame_that_clips_more_than_the_others_is_named(frames):
    bright = with_frame(frames, 4, lambda x: np.minimum(x * 2.0, 1))
    codes = {f.code: f for f in alarms(inspected(bright))}
    assert codes["highlights_grow"].frames == (4,)
    assert codes["flash_misfire"].severity == "reshoot"


def test_a_shaken_frame_is_told_from_a_frame_out_of_focus(frames):
    shaken = with_frame(frames, 4, lambda x: shaken_by(x, 3.0, 1.5))
    found = only(inspected(shaken), "camera_shake")
    assert found.frames == (4,)


def test_shake_is_told_where_nothing_is_in_focus():
    """The middle frame is focused between the wires and the wall behind them."""
    bracket = rendered_bracket("wires-still", scale=0.3)
    found = only(
        check_faults.inspect(bracket, FAULTS["shaken"], seed=1), "camera_shake"
    )
    assert found.frames == (bracket.n_frames // 2,)


@pytest.mark.parametrize("for_good", [True, False])
def test_a_thing_that_moved_is_found_where_it_is(frames, for_good):
    moved = [
        changed(f, lambda x: patched(x, 6)) if k == 4 or (for_good and k > 4) else f
        for k, f in enumerate(frames)
    ]
    found = only(inspected(moved), "thing_moved")
    assert found.frames == ((4, 5, 6, 7, 8) if for_good else (4,))
    height, width = frames[0].shape[:2]
    row, column = int(0.4 * height), int(0.3 * width)
    side = int(0.15 * width)
    box = found.region
    assert row - 20 < box.row + box.height / 2 < row + side + 20
    assert column - 20 < box.column + box.width / 2 < column + side + 20


def test_dust_is_found_where_it_lies(frames, sample):
    shade = np.ones(frames[0].shape[:2], np.float32)
    y, x = np.mgrid[: shade.shape[0], : shade.shape[1]]
    places = [(90, 60), (600, 420), (650, 90), (120, 400)]
    for cx, cy in places:
        away = np.clip((np.hypot(x - cx, y - cy) / 4 - 1) * 6, -30, 30)
        shade *= (1 - 0.35 / (1 + np.exp(away))).astype(np.float32)
    dusty = [changed(f, lambda p: p * shade[..., None]) for f in frames]
    facts = survey(dusty)
    found = find_specks(facts)
    near = [min(np.hypot(s.x - cx, s.y - cy) for s in found) for cx, cy in places]
    assert sum(d < 3 for d in near) >= 3  # one may lie in too much texture
    strangers = [
        s for s in found if min(np.hypot(s.x - cx, s.y - cy) for cx, cy in places) > 8
    ]
    assert strangers == []
    assert "dust" in {
        f.code for f in inspect_bracket(facts, infos_of(frames, range(N)))
    }


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"f_number": 8.0}, "mixed_aperture"),
        ({"iso": 400.0}, "mixed_iso"),
        ({"focal_length_mm": 60.0}, "mixed_focal_length"),
        ({"exposure_s": 0.5}, "mixed_exposure"),
    ],
)
def test_a_setting_that_changed_is_named_with_its_frame(frames, facts, change, code):
    usual = {"f_number": 5.6, "iso": 100.0, "focal_length_mm": 50.0, "exposure_s": 0.01}
    infos = infos_of(frames, range(N), **usual)
    infos[6] = replace(infos[6], **change)
    found = only(inspect_bracket(facts, infos), code)
    assert found.frames == (6,)


def test_frames_without_texture_are_not_called_complete():
    grey = np.full((480, 720, 3), 30000, np.uint16)
    rng = np.random.default_rng(2)
    flat = [(grey + rng.normal(0, 90, grey.shape)).astype(np.uint16) for _ in range(6)]
    findings = inspected(flat)
    (unknown,) = [f for f in findings if f.code == "not_judged"]
    assert unknown.action
    verdict = give_verdict(findings, 6)
    assert verdict.level != "good"


def test_a_plain_place_is_noted_and_no_alarm(frames):
    plain = []
    for frame in frames:
        covered = frame.copy()
        rng = np.random.default_rng(int(frame[0, 0, 0]))
        covered[100:260, 200:420] = 30000 + rng.normal(0, 90, (160, 220, 3))
        plain.append(covered)
    found = {f.code: f for f in inspected(plain)}
    assert found["flat_area"].severity == "note"
    box = found["flat_area"].region
    assert 80 < box.row < 200
    assert 160 < box.column < 320


def test_the_benchmark_of_faults_counts_them(tmp_path):
    record = tmp_path / "faults.json"
    check_faults.main(["--quick", "--json", str(record)])
    told = json.loads(record.read_text())
    assert told["clean"]["wires-still"]["others"] == []
    assert told["frame dropped"]["wires-still"] == {"found": 1, "of": 1, "others": []}


def test_the_benchmark_of_speed_measures_both(tmp_path):
    record = tmp_path / "speed.json"
    words = ["--megapixels", "0.4", "--frames", "2", "--runs", "1", "--format", "none"]
    check_speed.main([str(tmp_path), *words, "--json", str(record)])
    told = json.loads(record.read_text())["none"]
    assert told["check_s"] > 0
    assert told["decode_s"] > 0
