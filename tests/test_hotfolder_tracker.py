"""When a bracket is complete: looks at a folder that need no folder, and no time to pass."""

from typing import Any

import pytest

from stacker.frame import FrameInfo
from stacker.hotfolder.ledger import Entry, reconcile
from stacker.hotfolder.observed import Listing, Look
from stacker.hotfolder.tracker import Tracker
from stacker.settings import GroupSettings, WatchSettings

INFO = FrameInfo(name="a.tif", height=20, width=30, n_channels=3, bit_depth=16)
WHOLE = Look(info=INFO)
CUT = Look(info=INFO, lacking="is cut off")
DOUBTED = Look(info=INFO, doubt="holds only zeros at its end")
WATCH: dict[str, Any] = {"settle_s": 2.0, "patience_s": 300.0}


class Folder:
    """A pretended folder and what a tracker makes of it, second by second."""

    def __init__(self, *, known=None, epoch=1, **settings):
        self.now = 0.0
        self.files: dict[str, tuple[int, int]] = {}
        self.looks: dict[str, Look] = {}
        self.unknown: tuple[str, ...] = ()
        self.tracker = Tracker(
            watch=WatchSettings(**(WATCH | settings)),
            group=GroupSettings(gap_s=30),
            epoch=epoch,
            known=known or {},
        )
        self.fused = {}
        self.go(0)

    def put(self, *names, size=100, look=WHOLE):
        for name in names:
            self.files[name] = (size, int(self.now * 1e9))
            self.looks[name] = look

    def take(self, *names):
        for name in names:
            del self.files[name]

    def go(self, seconds):
        end = self.now + seconds
        while True:
            listing = Listing(files=dict(self.files), unknown=self.unknown)
            for name in self.tracker.observe(listing, self.now):
                self.tracker.learn(name, self.files[name], self.looks[name], self.now)
            if self.now >= end:
                break
            self.now += 1

    def found(self):
        return self.tracker.candidates(self.fused, self.now)

    def complete(self):
        return [[s.name for s in c.group.frames] for c in self.found() if c.is_complete]

    def waits(self):
        return [c.waits_for for c in self.found()]


def test_a_bracket_is_complete_when_no_frame_has_come_for_a_while():
    folder = Folder()
    for i in range(1, 5):
        folder.put(f"a{i}.tif")
        folder.go(5)
        assert folder.complete() == []
    folder.go(24)
    assert folder.waits() == ["further frames"]
    folder.go(3)
    assert folder.complete() == [["a1.tif", "a2.tif", "a3.tif", "a4.tif"]]


def test_a_frame_counts_only_when_it_no_longer_changes():
    folder = Folder()
    folder.put("a1.tif", "a2.tif")
    for size in range(100, 200, 20):
        folder.put("a2.tif", size=size)
        folder.go(1)
        assert [len(c.group.frames) for c in folder.found()] in ([], [1])
    folder.go(4)
    assert [len(c.group.frames) for c in folder.found()] == [2]


def test_a_frame_that_is_not_whole_holds_its_bracket_open():
    folder = Folder()
    folder.put("a1.tif", "a2.tif")
    folder.put("a3.tif", look=CUT)
    folder.go(100)
    assert folder.complete() == []
    assert folder.waits() == ["incomplete: a3.tif"]
    folder.put("a3.tif", size=200)
    folder.go(40)
    assert folder.complete() == [["a1.tif", "a2.tif", "a3.tif"]]


def test_a_file_that_never_becomes_whole_is_left_behind_in_the_end():
    folder = Folder()
    folder.put("a1.tif", "a2.tif")
    folder.put("a3.tif", look=CUT)
    folder.go(310)
    candidate = folder.found()[0]
    assert folder.complete() == [["a1.tif", "a2.tif"]]
    assert candidate.left_behind == ("a3.tif is cut off",)


def test_a_black_foot_delays_a_bracket_no_longer_than_the_gap():
    folder = Folder()
    folder.put("a1.tif", "a2.tif", look=DOUBTED)
    folder.go(25)
    assert folder.found() == []
    folder.go(15)
    assert folder.complete() == [["a1.tif", "a2.tif"]]


def test_the_next_bracket_does_not_hold_up_the_last():
    """While one is fused the next is shot, without a pause long enough to notice."""
    folder = Folder()
    folder.put(*(f"a{i}.tif" for i in range(1, 6)))
    folder.go(20)
    for i in range(20, 32):
        folder.put(f"a{i}.tif")
        folder.go(2)
    assert folder.complete() == [[f"a{i}.tif" for i in range(1, 6)]]


def test_one_frame_alone_is_no_bracket():
    folder = Folder()
    folder.put("a1.tif")
    folder.go(200)
    assert folder.waits() == ["a second frame"]


def test_renaming_into_place_is_a_frame_arriving():
    folder = Folder()
    folder.put("a1.tif", "a2.tif")
    folder.go(5)
    folder.put("a3.tif")  # was a hidden name, which no look shows
    folder.go(35)
    assert folder.complete() == [["a1.tif", "a2.tif", "a3.tif"]]


def test_a_frame_that_is_deleted_is_no_longer_in_it():
    folder = Folder()
    folder.put("a1.tif", "a2.tif", "a3.tif")
    folder.go(10)
    folder.take("a3.tif")
    folder.go(40)
    assert folder.complete() == [["a1.tif", "a2.tif"]]


def test_a_frame_missing_for_a_moment_is_not_deleted():
    """Programs that write anew take the old file away first."""
    folder = Folder()
    folder.put("a1.tif", "a2.tif", "a3.tif")
    folder.go(40)
    kept = folder.files["a3.tif"]
    folder.take("a3.tif")
    folder.go(1)
    assert folder.waits() == ["a frame that has vanished just now"]
    folder.files["a3.tif"] = kept
    folder.go(1)
    assert len(folder.complete()[0]) == 3


@pytest.mark.parametrize("how", ["unreadable", "empty"])
def test_a_share_that_is_away_is_unknown_not_empty(how):
    folder = Folder()
    folder.put("a1.tif", "a2.tif", "a3.tif")
    folder.go(10)
    kept = dict(folder.files)
    folder.files.clear()
    folder.unknown = ("",) if how == "unreadable" else ()
    folder.go(1000)
    assert folder.tracker.is_unknown(Listing(files={}, unknown=folder.unknown))
    folder.files, folder.unknown = kept, ()
    folder.go(1)
    assert folder.complete() == [["a1.tif", "a2.tif", "a3.tif"]]


def test_a_sub_folder_that_cannot_be_read_is_unknown():
    folder = Folder()
    folder.put("x/a1.tif", "x/a2.tif", "y/a1.tif", "y/a2.tif")
    folder.go(10)
    kept = folder.files["x/a1.tif"]
    folder.take("x/a1.tif", "y/a1.tif")
    folder.unknown = ("x",)
    folder.go(40)
    assert folder.complete() == [["x/a1.tif", "x/a2.tif"]]
    folder.files["x/a1.tif"], folder.unknown = kept, ()
    folder.go(1)
    assert folder.complete() == [["x/a1.tif", "x/a2.tif"]]


def test_an_empty_folder_is_empty_before_anything_was_there():
    folder = Folder()
    assert not folder.tracker.is_unknown(Listing(files={}))


def test_files_that_were_there_before_us_are_taken_by_their_own_times():
    folder = Folder.__new__(Folder)
    folder.files = {f"a{i}.tif": (100, int((1000 + i) * 1e9)) for i in range(3)}
    folder.files |= {f"a{i}.tif": (100, int((9000 + i) * 1e9)) for i in range(3, 6)}
    folder.looks = dict.fromkeys(folder.files, WHOLE)
    folder.unknown, folder.now, folder.fused = (), 0.0, {}
    folder.tracker = Tracker(
        watch=WatchSettings(**WATCH), group=GroupSettings(gap_s=30)
    )
    folder.go(40)
    assert folder.complete() == [
        ["a0.tif", "a1.tif", "a2.tif"],
        ["a3.tif", "a4.tif", "a5.tif"],
    ]


def test_a_marker_closes_the_bracket_before_it():
    folder = Folder(close_on="*.done")
    folder.put("a1.tif", "a2.tif")
    folder.go(4)
    assert folder.complete() == []
    folder.put("bracket.done", size=0)
    folder.go(1)
    assert folder.complete() == [["a1.tif", "a2.tif"]]
    folder.put("a3.tif", "a4.tif")
    folder.go(4)
    assert folder.complete() == [["a1.tif", "a2.tif"]]
    folder.put("bracket.done", size=1)  # the same name, written anew
    folder.go(1)
    assert folder.complete() == [["a1.tif", "a2.tif"], ["a3.tif", "a4.tif"]]


def test_a_marker_waits_for_frames_that_are_still_written():
    folder = Folder(close_on="*.done")
    folder.put("a1.tif", "a2.tif")
    folder.go(3)
    folder.put("a3.tif", look=CUT)
    folder.put("x.done")
    folder.go(3)
    assert folder.waits() == ["incomplete: a3.tif"]


def test_a_bracket_is_closed_by_hand():
    folder = Folder()
    folder.put("a1.tif", "a2.tif")
    folder.go(3)
    folder.tracker.close_by_hand(folder.now)
    assert folder.complete() == [["a1.tif", "a2.tif"]]


def test_a_restart_knows_when_files_came():
    folder = Folder()
    folder.put("a1.tif", "a2.tif")
    folder.go(100)
    folder.put("a3.tif", "a4.tif")
    folder.go(5)
    again = Folder(known=folder.tracker.memory(), epoch=3)
    again.files, again.looks = folder.files, folder.looks
    again.go(40)
    assert again.complete() == [["a1.tif", "a2.tif"], ["a3.tif", "a4.tif"]]


# Together with the journal's entries -----------------------------------------------


class Ledger:
    """Entries as a journal keeps them, without one."""

    def __init__(self, folder):
        self.folder, self.entries, self.told = folder, {}, []

    def compare(self):
        self.folder.fused = {
            ref: e.number
            for e in self.entries.values()
            if e.state in ("done", "fusing")
            for ref in e.frames
        }
        found, there = self.folder.found(), self.folder.tracker.names()
        for change in reconcile(found, list(self.entries.values()), there):
            entry = change.entry
            if change.is_dropped:
                del self.entries[entry.number]
            else:
                number = entry.number or len(self.entries) + 1
                self.entries[number] = Entry(
                    **{
                        **{k: getattr(entry, k) for k in Entry.__slots__},
                        "number": number,
                    }
                )
            if change.told:
                self.told.append(change.told)

    def set(self, number, **values):
        old = self.entries[number]
        self.entries[number] = Entry(
            **{**{k: getattr(old, k) for k in Entry.__slots__}, **values}
        )

    def states(self):
        return {
            n: (e.state, [name for name, _ in e.frames])
            for n, e in self.entries.items()
        }


@pytest.fixture
def done():
    """Five frames of which the fourth has not come, fused."""
    folder = Folder()
    folder.put("a1.tif", "a2.tif", "a3.tif")
    folder.go(40)
    ledger = Ledger(folder)
    ledger.compare()
    assert ledger.states() == {1: ("waiting", ["a1.tif", "a2.tif", "a3.tif"])}
    ledger.set(1, state="done", name="in_a1")
    return ledger


def test_nothing_new_changes_nothing(done):
    done.told.clear()
    done.folder.go(100)
    done.compare()
    assert done.told == []
    assert done.states()[1][0] == "done"


def test_a_late_frame_has_its_bracket_fused_again(done):
    done.folder.put("a2b.tif")  # of another series: another bracket
    done.folder.go(40)
    done.compare()
    assert done.states()[1][0] == "done"
    done.folder.take("a2b.tif")
    folder = done.folder
    folder.go(60)
    folder.put("a0.tif")
    folder.go(5)
    done.compare()
    assert done.states()[1][0] == "done"  # it may not be the only one
    folder.go(30)
    done.compare()
    assert done.states()[1] == ("waiting", ["a0.tif", "a1.tif", "a2.tif", "a3.tif"])
    assert "came late: a0.tif" in done.told[-1]
    assert done.entries[1].name == "in_a1"


def test_a_frame_that_is_written_anew_has_its_bracket_fused_again(done):
    done.folder.put("a2.tif", size=101)
    done.folder.go(40)
    done.compare()
    assert done.states()[1] == ("waiting", ["a1.tif", "a2.tif", "a3.tif"])
    assert "was written anew: a2.tif" in done.told[-1]


def test_names_used_again_for_other_frames_are_another_bracket(done):
    """A camera's counter was reset, or the folder cleared and filled again."""
    done.folder.put("a1.tif", "a2.tif", "a3.tif", size=200)
    done.folder.go(40)
    done.compare()
    assert done.states()[1][0] == "done"
    assert done.states()[2] == ("waiting", ["a1.tif", "a2.tif", "a3.tif"])


def test_deleting_frames_of_a_bracket_that_is_done_changes_nothing(done):
    done.folder.put("z1.tif")
    done.folder.take("a1.tif", "a2.tif", "a3.tif")
    done.folder.go(40)
    done.compare()
    assert done.states()[1] == ("done", ["a1.tif", "a2.tif", "a3.tif"])


def test_deleting_frames_of_a_bracket_that_waits_takes_them_out():
    folder = Folder()
    folder.put("a1.tif", "a2.tif", "a3.tif", "b1.tif")
    folder.go(40)
    ledger = Ledger(folder)
    ledger.compare()
    folder.take("a2.tif")
    folder.go(40)
    ledger.compare()
    # a1 and a3 have no times: with a2 gone, nothing says that they belong together
    assert all("a2.tif" not in names for _, names in ledger.states().values())
    folder.take("a1.tif", "a3.tif")
    folder.go(40)
    ledger.compare()
    assert list(ledger.states().values()) == [("gathering", ["b1.tif"])]
    assert "its frames are gone" in ledger.told


def test_a_parked_bracket_stays_parked_until_something_is_different():
    folder = Folder()
    folder.put("a1.tif", "a2.tif")
    folder.go(40)
    ledger = Ledger(folder)
    ledger.compare()
    ledger.set(1, state="parked", note="no good", tries=3)
    folder.go(100)
    ledger.compare()
    assert ledger.entries[1].state == "parked"
    folder.put("a2.tif", size=300)
    folder.go(40)
    ledger.compare()
    assert ledger.states() == {1: ("waiting", ["a1.tif", "a2.tif"])}
    assert ledger.entries[1].tries == 0


def test_a_late_frame_joins_a_bracket_that_still_waits():
    folder = Folder()
    folder.put("a1.tif", "a2.tif")
    folder.go(40)
    ledger = Ledger(folder)
    ledger.compare()
    assert ledger.entries[1].state == "waiting"
    folder.put("a3.tif", look=CUT)
    folder.go(3)
    ledger.compare()
    assert ledger.entries[1].state == "gathering"
    folder.put("a3.tif")
    folder.go(40)
    ledger.compare()
    # it came after the gap, and nothing but its number ties it to the others
    names = [names for _, names in ledger.states().values()]
    assert names == [["a1.tif", "a2.tif"], ["a3.tif"]]
