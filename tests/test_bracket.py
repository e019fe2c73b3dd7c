"""Order of frames: what a person expects of names and times."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.bracket import natural_key, natural_order, order_by_capture
from stacker.errors import BracketError

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
