"""Which frames make one bracket: every kind of evidence, and why it was decided so."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.frame import FrameInfo
from stacker.hotfolder.grouping import Closing, Moment, Sighting, group_sightings

NOON = datetime(2026, 5, 1, 12, 0, 0)


def moment(at_s, until_s=None, *, epoch=1):
    last_s = at_s if until_s is None else until_s
    return Moment(epoch=epoch, first_s=at_s, last_s=last_s, written_s=last_s)


def seen(name, at_s=0.0, *, taken=None, fused_in=None, until_s=None, epoch=1, **facts):
    captured = None if taken is None else NOON + timedelta(seconds=taken)
    given = {"height": 20, "width": 30, "n_channels": 3, "bit_depth": 16} | facts
    return Sighting(
        name=name,
        info=FrameInfo(name=name, captured=captured, **given),
        moment=moment(at_s, until_s, epoch=epoch),
        fused_in=fused_in,
    )


def groups(*sightings, closings=(), **options):
    found = group_sightings(sightings, closings, gap_s=30, **options)
    return [[s.name for s in g.frames] for g in found]


def reasons(*sightings, closings=(), **options):
    found = group_sightings(sightings, closings, gap_s=30, **options)
    return {s.name: r for g in found for s, r in zip(g.frames, g.reasons, strict=True)}


def test_a_series_is_one_bracket_in_the_order_of_its_numbers():
    names = ["a_10.tif", "a_9.tif", "a_11.tif"]
    assert groups(*map(seen, names)) == [["a_9.tif", "a_10.tif", "a_11.tif"]]


def test_nothing_is_no_bracket():
    assert groups() == []


def test_folders_series_and_kinds_are_kept_apart():
    names = ["a_1.tif", "a_2.tif", "b_1.tif", "b_2.tif", "x/a_3.tif", "x/a_4.tif"]
    names += ["a_1.jpg", "a_2.jpg"]
    assert sorted(groups(*map(seen, names))) == sorted(
        [
            ["a_1.tif", "a_2.tif"],
            ["b_1.tif", "b_2.tif"],
            ["x/a_3.tif", "x/a_4.tif"],
            ["a_1.jpg", "a_2.jpg"],
        ]
    )


def test_names_that_stand_alone_make_one_bracket():
    """Somebody has named the frames of a folder by hand."""
    frames = [seen(f"x/{n}.tif", taken=t) for t, n in enumerate(("far", "mid", "near"))]
    assert groups(*frames) == [["x/far.tif", "x/mid.tif", "x/near.tif"]]


@pytest.mark.parametrize(
    ("before", "now", "word"),
    [
        ({"width": 30}, {"width": 31}, "size"),
        ({"bit_depth": 16}, {"bit_depth": 8}, "bit depth"),
        ({"n_channels": 3}, {"n_channels": 1}, "channels"),
        ({"focal_length_mm": 80.0}, {"focal_length_mm": 120.0}, "focal length"),
        ({"f_number": 8.0}, {"f_number": 11.0}, "aperture"),
    ],
)
def test_frames_taken_in_another_way_begin_a_bracket(before, now, word):
    frames = [
        seen("a1.tif", taken=0, **before),
        seen("a2.tif", taken=1, **before),
        seen("a3.tif", taken=2, **now),
    ]
    assert groups(*frames) == [["a1.tif", "a2.tif"], ["a3.tif"]]
    assert word in reasons(*frames)["a3.tif"]


def test_a_pause_between_captures_begins_a_bracket():
    frames = [seen(f"a{i}.tif", taken=t) for i, t in enumerate((0, 3, 900, 903))]
    assert groups(*frames) == [["a0.tif", "a1.tif"], ["a2.tif", "a3.tif"]]
    assert reasons(*frames) == {
        "a0.tif": "first of the series a...",
        "a1.tif": "taken 3.0 s after a0.tif",
        "a2.tif": "taken 15 min after a1.tif",
        "a3.tif": "taken 3.0 s after a2.tif",
    }


def test_missing_numbers_matter_only_without_times():
    """With times, a frame that is missing is a fault of the bracket, for others to find."""
    assert len(groups(seen("a1.tif", taken=0), seen("a5.tif", taken=2))) == 1
    frames = seen("a1.tif"), seen("a2.tif"), seen("a5.tif")
    assert groups(*frames) == [["a1.tif", "a2.tif"], ["a5.tif"]]
    assert reasons(*frames)["a5.tif"] == "number 5 after 2, and no time of capture"


def test_without_times_a_pause_in_arrival_begins_a_bracket():
    frames = [seen(f"a{i}.tif", at) for i, at in enumerate((0, 3, 100, 103))]
    assert groups(*frames) == [["a0.tif", "a1.tif"], ["a2.tif", "a3.tif"]]
    assert reasons(*frames)["a2.tif"] == "arrived 97 s after a1.tif"


def test_slow_copies_are_no_pause():
    """From the end of one copy to the beginning of the next, not from end to end."""
    frames = [seen(f"a{i}.tif", 60 * i, until_s=60 * i + 55) for i in range(4)]
    assert len(groups(*frames)) == 1


def test_frames_that_arrive_out_of_order_are_no_pause():
    arrivals = (0, 40, 5, 60, 10, 70)
    frames = [seen(f"a{i}.tif", at) for i, at in enumerate(arrivals)]
    assert groups(*frames)[0][:5] == [f"a{i}.tif" for i in range(5)]


def test_a_late_frame_in_the_middle_belongs_there():
    frames = [seen(f"a{i}.tif", i) for i in range(6)]
    frames[3] = seen("a3.tif", 500)
    assert groups(*frames) == [[f"a{i}.tif" for i in range(6)]]


def test_in_a_folder_only_what_the_camera_wrote_divides():
    """Somebody has sorted already; times of copying and gaps in numbers say nothing."""
    names = ("x/a1.tif", "x/a2.tif", "x/a9.tif")
    frames = [seen(n, 100 * i) for i, n in enumerate(names)]
    assert groups(*frames) == [list(names)]
    frames = [seen(n, taken=100 * i) for i, n in enumerate(names)]
    assert groups(*frames) == [[n] for n in names]
    assert groups(*frames, folders="whole") == [list(names)]


def test_a_whole_folder_is_still_of_one_kind():
    frames = seen("x/a1.tif"), seen("x/a2.tif"), seen("x/b3.tif", width=40)
    assert groups(*frames, folders="whole") == [["x/a1.tif", "x/a2.tif"], ["x/b3.tif"]]


def test_a_camera_clock_set_back_divides_nothing():
    """Summer time ends in the middle of a bracket."""
    frames = [
        seen(f"a{i}.tif", i, taken=t) for i, t in enumerate((3590, 3595, 0, 5, 10))
    ]
    assert len(groups(*frames)) == 1


def test_the_camera_counter_runs_over():
    names = ["DSC_9998.tif", "DSC_9999.tif", "DSC_0001.tif", "DSC_0002.tif"]
    frames = [seen(n, taken=2 * i) for i, n in enumerate(names)]
    assert groups(*frames[::-1]) == [names]
    early = [seen(n, taken=t) for n, t in zip(names, (10, 12, 0, 2), strict=True)]
    assert groups(*early) == [[names[2], names[3], names[0], names[1]]]


def test_focus_that_starts_over_begins_a_bracket():
    distances = (300, 320, 340, 360, 300, 320, 340)
    frames = [
        seen(f"a{i}.tif", taken=i, focus_distance_mm=float(d))
        for i, d in enumerate(distances)
    ]
    assert [len(g) for g in groups(*frames)] == [4, 3]
    assert reasons(*frames)["a4.tif"] == (
        "focus starts over, from 360 mm back to 300 mm"
    )


def test_a_closing_divides_what_came_before_from_what_came_after():
    frames = [seen(f"a{i}.tif", i, taken=i) for i in range(6)]
    closing = Closing(moment=moment(2.5), folder="")
    assert groups(*frames, closings=[closing]) == [
        ["a0.tif", "a1.tif", "a2.tif"],
        ["a3.tif", "a4.tif", "a5.tif"],
    ]
    found = group_sightings(frames, [closing], gap_s=30)
    assert [g.closed is not None for g in found] == [True, False]


def test_a_closing_counts_for_its_folder_only():
    frames = [seen(f"x/a{i}.tif", i) for i in range(4)]
    assert len(groups(*frames, closings=[Closing(moment=moment(1.5), folder="y")])) == 1
    assert len(groups(*frames, closings=[Closing(moment=moment(1.5))])) == 2


def test_what_was_fused_together_stays_together_and_apart_apart():
    frames = [
        seen("a1.tif", taken=0, fused_in=1),
        seen("a2.tif", taken=100, fused_in=1),
        seen("a3.tif", taken=101, fused_in=2),
        seen("a4.tif", taken=102),
    ]
    assert groups(*frames) == [["a1.tif", "a2.tif"], ["a3.tif", "a4.tif"]]
    assert reasons(*frames)["a3.tif"] == "fused apart from a2.tif before"


def test_frames_from_before_a_restart_are_older():
    """Clocks of different runs are not compared, the files' own times are."""
    before = [seen(f"a{i}.tif", 1000.0 + i, epoch=1) for i in range(3)]
    after = [seen(f"a{i}.tif", 1004.0 + i, epoch=3) for i in range(3, 6)]
    assert len(groups(*before, *after)) == 1
    much_later = [seen(f"a{i}.tif", 9000.0 + i, epoch=3) for i in range(3, 6)]
    assert len(groups(*before, *much_later)) == 2
    assert before[0].moment.is_before(after[0].moment)


SIGHTINGS = st.lists(
    st.builds(
        seen,
        st.builds(
            "{}{}_{}.tif".format,
            st.sampled_from(["", "x/", "y/"]),
            st.sampled_from("ab"),
            st.integers(0, 12),
        ),
        st.floats(0, 300),
        taken=st.none() | st.floats(0, 300),
        fused_in=st.none() | st.integers(1, 2),
        f_number=st.none() | st.sampled_from([8.0, 11.0]),
    ),
    max_size=14,
    unique_by=lambda s: s.name,
)


@given(SIGHTINGS, st.randoms(use_true_random=False))
def test_every_frame_is_in_one_bracket_whatever_the_order_of_looking(frames, random):
    shuffled = list(frames)
    random.shuffle(shuffled)
    found = groups(*frames)
    assert sorted(n for g in found for n in g) == sorted(s.name for s in frames)
    assert groups(*shuffled) == found


@given(SIGHTINGS)
def test_no_bracket_mixes_folders_series_or_kinds(frames):
    fresh = [replace(s, fused_in=None) for s in frames]
    by_name = {s.name: s for s in fresh}
    for group in groups(*fresh):
        numbers = {by_name[n].info.f_number for n in group} - {None}
        places = {n.rsplit("_", 1)[0] for n in group}
        assert len(places) == 1 or all(
            sum(m.rsplit("_", 1)[0] == p for m in by_name) == 1 for p in places
        )
        if all(by_name[n].info.f_number for n in group):
            assert len(numbers) == 1
