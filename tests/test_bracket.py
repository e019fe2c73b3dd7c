"""Order of frames: what a person expects of names and times."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.bracket import (
    group_frames,
    natural_key,
    natural_order,
    order_by_capture,
)
from stacker.errors import BracketError
from stacker.frame import FrameInfo

NOON = datetime(2026, 5, 1, 12, 0, 0)


def test_numbers_count_as_numbers():
    names = ["f10.tif", "f9.tif", "f1.tif", "F2.tif", "f010b.tif"]
    assert [names[i] for i in natural_order(names)] == [
        "f1.tif",
        "F2.tif",
        "f9.tif",
        "f10.tif",
        "f010b.tif",
    ]


def test_leading_zeros_do_not_matter_but_break_ties():
    assert sorted(["a1", "a01", "a001"], key=natural_key) == ["a001", "a01", "a1"]


def test_digits_that_int_cannot_read_are_letters():
    assert natural_order(["a²", "a1"]) == [1, 0]


@given(st.lists(st.text(max_size=12), max_size=8))
def test_order_does_not_depend_on_where_it_starts(names):
    backwards = names[::-1]
    assert sorted(names, key=natural_key) == sorted(backwards, key=natural_key)


def test_capture_order_goes_by_time_then_name():
    names = ["f10", "f2", "f1"]
    later = NOON + timedelta(milliseconds=40)
    assert order_by_capture(names, [later, NOON, NOON]) == [2, 1, 0]


def test_offsets_count_only_where_all_frames_have_one():
    vienna = NOON.replace(tzinfo=timezone(timedelta(hours=2)))
    utc = (NOON - timedelta(hours=1)).replace(tzinfo=UTC)
    assert order_by_capture(["a", "b"], [utc, vienna]) == [1, 0]
    assert order_by_capture(["a", "b", "c"], [utc, vienna, NOON]) == [0, 1, 2]


def test_a_frame_without_time_is_named():
    with pytest.raises(BracketError, match=r"b\.tif: no time of capture") as caught:
        order_by_capture(["a.tif", "b.tif"], [NOON, None])
    assert caught.value.names == ("b.tif",)


def info(name, second=None, **facts):
    captured = None if second is None else NOON + timedelta(seconds=second)
    given = {"height": 20, "width": 30, "n_channels": 3, "bit_depth": 16} | facts
    return FrameInfo(name=name, captured=captured, **given)


def groups(*infos):
    found = group_frames(infos, gap_s=10)
    return [g.frames for g in found], [g.reason for g in found]


def test_one_run_is_one_bracket():
    frames, reasons = groups(*(info(f"a_{i:03}.tif", 2 * i) for i in range(5)))
    assert frames == [(0, 1, 2, 3, 4)]
    assert reasons == ["the first frame"]


def test_no_frames_are_no_brackets():
    assert groups() == ([], [])


def test_a_pause_begins_a_bracket():
    frames, reasons = groups(
        *(info(f"a{i}.tif", s) for i, s in enumerate((0, 2, 30, 32)))
    )
    assert frames == [(0, 1), (2, 3)]
    assert reasons[1] == "a pause of 28 s"


def test_missing_numbers_matter_only_without_times():
    assert groups(info("a1.tif", 0), info("a3.tif", 2))[0] == [(0, 1)]
    frames, reasons = groups(info("a1.tif"), info("a2.tif"), info("a4.tif"))
    assert frames == [(0, 1), (2,)]
    assert reasons[1] == "number 4 after 2"
    assert groups(info("a1.tif"), info("b2.tif"))[1][1] == "another name"


@pytest.mark.parametrize(
    ("facts", "word"),
    [
        ({"width": 31}, "size"),
        ({"bit_depth": 8}, "bit depth"),
        ({"focal_length_mm": 90.0}, "focal length"),
        ({"f_number": 11.0}, "aperture"),
    ],
)
def test_other_settings_begin_a_bracket(facts, word):
    known = {"focal_length_mm": 120.0, "f_number": 8.0}
    one, two = info("a1.tif", 0, **known), info("a2.tif", 1, **(known | facts))
    assert groups(one, two)[1][1] == f"another {word}"


def test_what_a_file_does_not_say_divides_nothing():
    assert groups(info("a1.tif", 0, f_number=8.0), info("a2.tif", 1))[0] == [(0, 1)]


def test_another_folder_begins_a_bracket():
    assert groups(info("x/a1.tif", 0), info("y/a2.tif", 1))[1][1] == "another folder"


@pytest.mark.parametrize("direction", [1, -1])
def test_focus_that_starts_over_begins_a_bracket(direction):
    distances = [400 + direction * d for d in (0, 10, 20, 30, 1, 11, 21)]
    frames, reasons = groups(
        *(info(f"a{i}.tif", i, focus_distance_mm=d) for i, d in enumerate(distances))
    )
    assert frames == [(0, 1, 2, 3), (4, 5, 6)]
    assert reasons[1] == "focus starts over"


def test_a_nudge_against_the_run_does_not_divide():
    distances = [400, 410, 420, 430, 425, 440]
    frames, _ = groups(
        *(info(f"a{i}.tif", i, focus_distance_mm=d) for i, d in enumerate(distances))
    )
    assert frames == [(0, 1, 2, 3, 4, 5)]


@given(st.lists(st.tuples(st.integers(0, 99), st.integers(0, 99)), max_size=12))
def test_every_frame_is_in_one_group(numbers):
    infos = [info(f"a{n}.tif", s) for n, s in numbers]
    frames, _ = groups(*infos)
    assert [i for g in frames for i in g] == list(range(len(infos)))
