"""What is written into the journal comes out again, also after a crash."""

import os
import sqlite3
import sys

import pytest

from stacker.errors import OutputError
from stacker.hotfolder.grouping import Moment
from stacker.hotfolder.journal import Fusion, Journal
from stacker.hotfolder.ledger import Change, Entry
from stacker.hotfolder.places import state_place

ODD = b"a\nb'\xff.tif".decode("utf-8", "surrogateescape")
ENTRY = Entry(
    state="waiting",
    frames=((ODD, (100, 1_700_000_000_123_456_789)), ("x/b.tif", (2**40, 5))),
    reasons=("first of the series", "follows"),
    left_behind=("c.tif is cut off",),
    note=f"see {ODD}",
    tries=1,
    retry_at_s=12.5,
)
FUSION = Fusion(
    verdict="look",
    message="2 of 2 frames fused, 1 thing to look at",
    faults=("Frame 1 moved.",),
    results="/out",
    files={"master": "x.tif"},
    master=(9, 8),
    made_ns=17,
    created="2026-05-01T12:00:00+00:00",
    took_s=1.5,
    n_frames=2,
    width=3,
    height=2,
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "state" / "j.db"


def test_a_bracket_comes_out_as_it_went_in(path):
    with Journal(path) as journal:
        (entry,) = journal.apply([Change(entry=ENTRY, told="complete")])
        journal.finish(entry, FUSION, "LOOK: Frame 1 moved.")
    with Journal(path) as journal:
        assert journal.entries() == [entry]
        assert journal.fusion(entry.number) == FUSION
        assert journal.latest("/out", 5) == [(entry, FUSION)]
        assert journal.latest("/elsewhere", 5) == []
        assert journal.verdicts("/out") == {"look": 1}
        texts = [note.text for note in journal.diary(entry.number)]
    assert texts[0] == "complete"
    assert "x/b.tif: follows" in texts
    assert texts[-1] == "LOOK: Frame 1 moved."


def test_numbers_are_never_used_again(path):
    """A job that comes back late must not be booked on another bracket."""
    with Journal(path) as journal:
        (one,) = journal.apply([Change(entry=ENTRY)])
        journal.apply([Change(entry=one, is_dropped=True)])
        (two,) = journal.apply([Change(entry=ENTRY)])
        assert two.number > one.number
        assert journal.entries() == [two]


def test_files_with_any_name_come_out_as_they_went_in(path):
    moment = Moment(epoch=3, first_s=1.5, last_s=2.5, written_s=0.25)
    files = {ODD: ((5, 6), moment), "b.tif": ((7, 8), moment)}
    with Journal(path) as journal:
        journal.set_files(files, ())
        assert journal.files() == files
        journal.set_files({}, ["b.tif"])
        assert list(journal.files()) == [ODD]


def test_epochs_of_watching_are_odd_and_grow(path):
    epochs = []
    for _ in range(3):
        with Journal(path) as journal:
            epochs.append(journal.next_epoch())
    assert epochs == [1, 3, 5]


def test_all_changes_or_none(path):
    """A crash in the middle of a change leaves the journal as it was."""
    with Journal(path) as journal:
        bad = Entry(state="waiting", frames=((object(), (1, 2)),), reasons=("",))  # type: ignore[arg-type]
        with pytest.raises(TypeError):
            journal.apply([Change(entry=ENTRY, told="x"), Change(entry=bad)])
        assert journal.entries() == []
        assert journal.diary() == []


def test_progress_is_kept_until_the_end(path):
    with Journal(path) as journal, Journal(path) as worker:
        (entry,) = journal.apply([Change(entry=ENTRY)])
        worker.set_progress(entry.number, "fuse", 3, 9)
        seen = journal.progress()[entry.number]
        assert (seen.stage, seen.done, seen.total) == ("fuse", 3, 9)
        journal.finish(entry, None, "failed")
        assert journal.progress() == {}


def test_the_diary_does_not_grow_for_ever(path, monkeypatch):
    monkeypatch.setattr("stacker.hotfolder.journal._DIARY_LENGTH", 5)
    with Journal(path) as journal:
        for i in range(9):
            journal.note(f"line {i}")
        assert [n.text for n in journal.diary()] == [f"line {i}" for i in range(4, 9)]


def test_a_journal_of_another_version_is_left_alone(path):
    path.parent.mkdir()
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version=99")
    db.close()
    with pytest.raises(OutputError, match="another version"):
        Journal(path)


def test_what_is_no_journal_is_one_line(path):
    path.parent.mkdir()
    path.write_bytes(b"not a database, certainly" * 50)
    with pytest.raises(OutputError, match=r"j\.db: the journal cannot be opened"):
        Journal(path)


@pytest.mark.skipif(sys.platform != "linux", reason="where Linux keeps state")
def test_state_is_local_and_one_per_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    (tmp_path / "link").symlink_to(tmp_path / "in")
    (tmp_path / "in").mkdir()
    place = state_place(tmp_path / "in")
    assert os.fspath(place).startswith(str(tmp_path / "state"))
    assert state_place(tmp_path / "link") == place
    assert state_place(tmp_path) != place
