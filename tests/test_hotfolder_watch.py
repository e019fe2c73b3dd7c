"""A folder is watched: frames come in, brackets come out, whatever happens in between.

Time does not pass by itself here, and jobs are done at once, in this process: rounds of
the watch are driven one by one. Processes and signals have a file of their own.
"""

import json
import logging
import os
import sys
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime, timedelta
from errno import EACCES, ENOSPC, EROFS
from typing import Any

import pytest
import tifffile

from stacker import pipeline
from stacker.errors import InputError
from stacker.events import Event
from stacker.files import results as files_results
from stacker.files.tiffwrite import write_tiff
from stacker.hotfolder.books import FusePlan
from stacker.hotfolder.job import Job, Outcome, fuse_job, set_stop
from stacker.hotfolder.loop import Watch
from stacker.hotfolder.scan import stat_of
from stacker.hotfolder.status import folder_status
from stacker.settings import FuseSettings, GroupSettings, WatchSettings
from tests.shots import frame_bytes, noise_bytes, write_bracket

NOON = datetime(2026, 5, 1, 12, 0, 0)
OUTPUTS = [".tif", ".depth.tif", ".confidence.tif", ".coverage.tif"]
OUTPUTS += [".report.json", ".report.html"]


class AtOnce:
    """Does a job when it is handed in."""

    def __init__(self):
        self.jobs = []

    @property
    def executor(self):
        return self

    def submit(self, work, job):
        self.jobs.append(job)
        future: Future[Outcome] = Future()
        future.set_result(work(job))
        return future

    def discard(self):
        pass

    def abandon(self):
        pass

    def close(self):
        pass


class Rig:
    """A hot folder with its results, driven by hand."""

    def __init__(self, tmp_path, caplog):
        self.folder, self.results = tmp_path / "in", tmp_path / "out"
        self.folder.mkdir(exist_ok=True)
        self.caplog = caplog
        self.now = 1_800_000_000.0
        self.workers = AtOnce()
        self.on_done = ""
        self.settings: dict[str, Any] = {}
        self.group: dict[str, Any] = {}
        self.watch: Any = None

    def start(self):
        self.watch = Watch(
            self.folder,
            self.results,
            FusePlan(
                fuse=FuseSettings(threads=1),
                name=GroupSettings(**self.group).name,
                on_done=self.on_done,
            ),
            WatchSettings(**self.settings),
            GroupSettings(gap_s=10, **self.group),
            self.workers,
            clock=lambda: self.now,
        )
        self.watch.__enter__()
        return self

    def go(self, seconds, step=1.0):
        end = self.now + seconds
        while self.now < end:
            self.watch.round()
            self.now += step
        self.watch.round()
        return self

    def end(self):
        if self.watch is not None:
            watch, self.watch = self.watch, None
            watch.__exit__(None, None, None)

    def kill(self):
        """As if the process had been killed: nothing is tidied up."""
        watch, self.watch = self.watch, None
        watch.books._stack.close()

    def put(self, *names, time=None, **options):
        for k, name in enumerate(names):
            path = self.folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            at = None if time is None else time + timedelta(seconds=2 * k)
            path.write_bytes(frame_bytes(k, time=at, **options))

    def brackets(self):
        return {
            b["name"] or b["frames"][0]: b["state"]
            for b in folder_status(self.folder)["brackets"]
        }

    def bracket(self, name):
        found = folder_status(self.folder, with_reasons=True)["brackets"]
        return next(b for b in found if b["name"] == name)

    def record(self, name):
        return json.loads((self.results / f"{name}.report.json").read_text("utf-8"))

    def made(self):
        return sorted(p.name for p in self.results.iterdir() if p.suffix == ".tif")

    def log(self):
        return [
            r.getMessage() for r in self.caplog.records if r.levelno >= logging.INFO
        ]

    def page(self):
        return (self.results / "index.html").read_text("utf-8")


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    place = tmp_path / "state"
    monkeypatch.setattr(
        "stacker.hotfolder.places.user_state_path", lambda *_, **__: place
    )
    return place


@pytest.fixture
def rig(tmp_path, caplog):
    caplog.set_level(logging.INFO, "stacker")
    rig = Rig(tmp_path, caplog)
    yield rig
    rig.end()


def masters(*names):
    return sorted(f"{name}{s}" for name in names for s in OUTPUTS if s.endswith("tif"))


# What comes of frames ---------------------------------------------------------------


def test_brackets_come_out_as_frames_come_in(rig):
    rig.start().go(2)
    rig.put("a1.tif", "a2.tif", "a3.tif", time=NOON)
    rig.put("cup/x1.tif", "cup/x2.tif", "cup/x3.tif")
    rig.go(14)
    assert rig.made() == masters("in_a1", "cup_x1")
    frames = [f["file"] for f in rig.record("in_a1")["frames"]]
    assert frames == [str(rig.folder / f"a{i}.tif") for i in (1, 2, 3)]
    assert rig.brackets() == {"in_a1": "done", "cup_x1": "done"}
    for name in ("in_a1", "cup_x1"):
        for suffix in OUTPUTS:
            assert (rig.results / f"{name}{suffix}").stat().st_size
        assert f'href="./{name}.report.html"' in rig.page()
        assert (rig.results / "index_files" / f"{name}.jpg").stat().st_size
    assert "2 good" in rig.page()


def test_every_decision_is_explained(rig):
    rig.start()
    rig.put("a1.tif", "a2.tif", time=NOON)
    rig.put("a8.tif", "a9.tif", time=NOON + timedelta(minutes=9))
    rig.go(14)
    assert rig.bracket("in_a1")["reasons"] == [
        "first of the series a...",
        "taken 2.0 s after a1.tif",
    ]
    assert rig.bracket("in_a8")["reasons"][0] == "taken 9 min after a2.tif"
    diary = [note.text for note in rig.watch.books.journal.diary()]
    assert "a8.tif: taken 9 min after a2.tif" in diary


def test_a_restart_repeats_nothing_and_loses_nothing(rig):
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(14).end()
    written = (rig.results / "in_a1.tif").stat().st_mtime_ns
    rig.put("b1.tif", "b2.tif")
    rig.start().go(14)
    assert rig.brackets() == {"in_a1": "done", "in_b1": "done"}
    assert [j.name for j in rig.workers.jobs] == ["in_a1", "in_b1"]
    assert (rig.results / "in_a1.tif").stat().st_mtime_ns == written


def test_a_faulty_bracket_is_fused_with_its_fault_first(rig):
    rig.start()
    rig.put("a1.tif", "a2.tif", "a3.tif")
    (rig.folder / "a4.tif").write_bytes(noise_bytes(1))
    rig.go(14)
    line = next(t for t in rig.log() if t.startswith("in_a1: LOOK"))
    assert line.startswith("in_a1: LOOK: frame 3 ")
    assert "left out" in line
    assert rig.bracket("in_a1")["verdict"] == "look"
    assert "cannot be registered to its neighbour" in rig.page()


def test_an_incomplete_file_is_waited_for_then_left_behind(rig):
    rig.settings = {"patience_s": 30.0}
    rig.start()
    rig.put("a1.tif", "a2.tif", "a3.tif")
    whole = (rig.folder / "a3.tif").read_bytes()
    (rig.folder / "a3.tif").write_bytes(whole[:5000])
    rig.go(20)
    assert rig.made() == []
    assert any("a3.tif: not whole yet, is cut off" in t for t in rig.log())
    rig.go(15)
    assert rig.bracket("in_a1")["faults"][0].startswith("a3.tif is cut off")
    assert rig.bracket("in_a1")["verdict"] == "look"
    (rig.folder / "a3.tif").write_bytes(whole)
    rig.go(14)
    assert len(rig.record("in_a1")["frames"]) == 3
    assert rig.bracket("in_a1")["verdict"] == "good"


def test_a_late_frame_has_the_result_made_again(rig):
    rig.start()
    rig.put("a1.tif", "a2.tif", time=NOON)
    rig.go(14)
    assert len(rig.record("in_a1")["frames"]) == 2
    late = NOON + timedelta(seconds=4)
    (rig.folder / "a3.tif").write_bytes(frame_bytes(2, time=late))
    rig.go(14)
    assert len(rig.record("in_a1")["frames"]) == 3
    assert rig.brackets() == {"in_a1": "done"}
    assert any("came late: a3.tif" in t for t in rig.log())


def test_work_on_a_master_is_not_overwritten(rig):
    """A retoucher has saved over it before the late frame came."""
    rig.start()
    rig.put("a1.tif", "a2.tif", time=NOON)
    rig.go(14)
    (rig.results / "in_a1.tif").write_bytes(b"retouched")
    late = NOON + timedelta(seconds=4)
    (rig.folder / "a3.tif").write_bytes(frame_bytes(2, time=late))
    rig.go(14)
    assert (rig.results / "in_a1.tif").read_bytes() == b"retouched"
    assert len(rig.record("in_a1-2")["frames"]) == 3


def test_results_of_others_are_not_overwritten(rig):
    rig.results.mkdir()
    (rig.results / "in_a1.tif").write_bytes(b"somebody's")
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(14)
    assert (rig.results / "in_a1.tif").read_bytes() == b"somebody's"
    assert rig.brackets() == {"in_a1-2": "done"}


def test_results_below_the_folder_are_not_taken_for_frames(rig):
    rig.results = rig.folder / "results"
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(40)
    assert rig.brackets() == {"in_a1": "done"}


def test_the_template_may_make_folders(rig):
    rig.group = {"name": "{folder}/{first}-{count}"}
    rig.start()
    rig.put("cup/a1.tif", "cup/a2.tif")
    rig.go(14)
    assert (rig.results / "cup" / "a1-2.tif").exists()
    assert 'href="./cup/a1-2.report.html"' in rig.page()
    assert (rig.results / "index_files" / "cup" / "a1-2.jpg").exists()


def test_a_marker_or_a_key_closes_a_bracket(rig):
    rig.settings = {"close_on": "*.done"}
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(3)
    assert rig.made() == []
    (rig.folder / "x.done").touch()
    rig.go(1)
    assert rig.brackets() == {"in_a1": "done"}
    rig.put("a3.tif", "a4.tif")
    rig.go(3)
    rig.watch.close_bracket()
    rig.go(1)
    assert rig.brackets() == {"in_a1": "done", "in_a3": "done"}


# What goes wrong --------------------------------------------------------------------


def test_what_cannot_be_fused_is_tried_again_then_parked_and_blocks_nothing(rig):
    rig.start()
    for k in (1, 2, 3):
        (rig.folder / f"a{k}.tif").write_bytes(noise_bytes(k))
    rig.put("b1.tif", "b2.tif")
    rig.go(16)
    assert rig.brackets() == {"in_a1": "waiting", "in_b1": "done"}
    rig.go(60)
    assert rig.brackets() == {"in_a1": "parked", "in_b1": "done"}
    assert [j.name for j in rig.workers.jobs].count("in_a1") == 3
    assert "registered" in rig.bracket("in_a1")["note"]
    assert "✕ parked" in rig.page()
    rig.go(300)
    assert [j.name for j in rig.workers.jobs].count("in_a1") == 3
    rig.put("a1.tif", "a2.tif", "a3.tif")  # copied again, right this time
    rig.go(14)
    assert rig.brackets() == {"in_a1": "done", "in_b1": "done"}


@pytest.mark.parametrize("number", [ENOSPC, EROFS, EACCES], ids=os.strerror)
def test_what_is_wrong_with_the_disk_only_holds_a_bracket_up(rig, monkeypatch, number):
    """It is never parked, says what is wrong, and goes on when that is gone."""
    working = write_tiff

    def broken(*args, **options):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(files_results, "write_tiff", broken)
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(600, step=5)
    assert rig.brackets() == {"in_a1": "waiting"}
    assert os.strerror(number).lower() in rig.bracket("in_a1")["note"].lower()
    assert 4 < len(rig.workers.jobs) < 12
    assert rig.made() == []
    monkeypatch.setattr(files_results, "write_tiff", working)
    rig.go(125, step=5)
    assert rig.brackets() == {"in_a1": "done"}
    assert sorted(p.name for p in rig.results.iterdir()) == sorted(
        [f"in_a1{s}" for s in OUTPUTS] + ["index.html", "index_files"]
    )


def test_results_that_are_away_are_waited_for(rig, tmp_path):
    """No folder is made in the place where the share was: nobody would look there."""
    rig.start().go(2)
    rig.put("a1.tif", "a2.tif")
    rig.go(5)
    rig.results.rename(tmp_path / "away")
    rig.go(40)
    assert not rig.results.exists()
    assert rig.brackets() == {"a1.tif": "waiting"}
    assert any("cannot be reached; waiting for it" in t for t in rig.log())
    (tmp_path / "away").rename(rig.results)
    rig.go(2)
    assert rig.brackets() == {"in_a1": "done"}


@pytest.mark.parametrize("how", ["gone", "empty"])
def test_frames_that_are_away_are_waited_for(rig, tmp_path, how):
    rig.start()
    rig.put("a1.tif", "a2.tif", "a3.tif")
    rig.go(5)
    rig.folder.rename(tmp_path / "away")
    if how == "empty":
        rig.folder.mkdir()
    rig.go(100)
    assert rig.made() == []
    if how == "empty":
        rig.folder.rmdir()
    (tmp_path / "away").rename(rig.folder)
    rig.go(14)
    assert len(rig.record("in_a1")["frames"]) == 3
    said = [t for t in rig.log() if str(rig.folder) in t and "watching" not in t]
    assert len(said) == 2, said  # once when it went, once when it came back


def test_a_frame_written_while_it_is_used_has_its_bracket_done_again(rig, monkeypatch):
    real, calls = pipeline.fuse_bracket, []

    def slow(inputs, *args, on_event, **options):
        calls.append(inputs)

        def meddle(event):
            if event.stage == "write" and len(calls) == 1:
                rig.put("a1.tif", mark=9)
            on_event(event)

        return real(inputs, *args, on_event=meddle, **options)

    monkeypatch.setattr(pipeline, "fuse_bracket", slow)
    rig.start()
    rig.put("a1.tif", "a2.tif", "a3.tif")
    rig.go(11)
    assert len(calls) == 1
    assert rig.made() == []
    rig.go(20)
    assert rig.brackets() == {"in_a1": "done"}
    assert tifffile.imread(rig.folder / "a1.tif")[0, 0, 1] == 9


def test_many_files_after_a_restart_change_nothing(rig, monkeypatch):
    """They are looked into a few at a time: until all are, nothing is decided."""
    rig.settings = {"tries": 1}
    rig.start().go(1)
    for k in range(3):
        (rig.folder / f"a{k}.tif").write_bytes(noise_bytes(k))
    rig.put("b1.tif", "b2.tif")
    rig.go(20)
    assert rig.brackets() == {"in_a0": "parked", "in_b1": "done"}
    rig.kill()
    monkeypatch.setattr("stacker.hotfolder.loop._LOOKS_PER_ROUND", 1)
    n_jobs, n_lines = len(rig.workers.jobs), len(rig.log())
    rig.start().go(40)
    assert rig.brackets() == {"in_a0": "parked", "in_b1": "done"}
    assert len(rig.workers.jobs) == n_jobs
    assert len(rig.log()) == n_lines


def test_an_error_of_ours_is_parked_with_its_trace_in_the_log(rig, monkeypatch):
    def broken(*args, **options):
        raise ZeroDivisionError("oh")

    rig.settings = {"tries": 1}
    monkeypatch.setattr(pipeline, "fuse_bracket", broken)
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(14)
    assert rig.brackets() == {"in_a1": "parked"}
    assert any("Traceback" in t and "ZeroDivisionError: oh" in t for t in rig.log())


def test_a_full_disk_under_the_journal_stops_nothing_for_good(rig, monkeypatch):
    import sqlite3

    rig.start()
    rig.put("a1.tif", "a2.tif")
    journal = rig.watch.books.journal
    working = journal.apply

    def full(changes):
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(journal, "apply", full)
    with pytest.raises(sqlite3.OperationalError):
        rig.go(14)
    monkeypatch.setattr(journal, "apply", working)
    rig.watch.books.reload()
    rig.go(14)
    assert rig.brackets() == {"in_a1": "done"}


# Ends and beginnings ----------------------------------------------------------------


def test_a_killed_watch_goes_on_where_it_was(rig):
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(9)
    rig.kill()
    rig.start().go(14)
    assert rig.brackets() == {"in_a1": "done"}


def test_killed_between_result_and_journal_nothing_is_done_twice(rig, monkeypatch):
    """The results are whole and named; only the journal does not know it yet."""
    fused = []
    real = pipeline.fuse_bracket

    def counted(*args, **options):
        fused.append(args)
        return real(*args, **options)

    monkeypatch.setattr(pipeline, "fuse_bracket", counted)
    rig.start()
    rig.put("a1.tif", "a2.tif")
    monkeypatch.setattr(rig.watch, "_finish", lambda: None)
    rig.go(14)
    assert len(fused) == 1
    assert rig.brackets() == {"in_a1": "fusing"}
    rig.kill()
    rig.start().go(14)
    assert rig.brackets() == {"in_a1": "done"}
    assert len(fused) == 1
    assert any("made before" in t for t in rig.log())


def test_leftovers_of_a_killed_watch_are_cleared_away(rig):
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(14)
    rig.kill()
    hidden, lock = files_results._make_hidden(rig.results)
    (hidden / "half.tif").write_bytes(b"half")
    lock.release()
    (rig.results / ".index.html-abc").write_bytes(b"half")
    (rig.results / "index_files" / ".in_a1.jpg-abc").write_bytes(b"half")
    rig.start()
    left = [p for p in rig.results.rglob("*") if p.name.startswith(".")]
    assert left == []


def test_one_watch_per_folder_and_per_results(rig, tmp_path):
    rig.start()
    other = Rig(tmp_path, rig.caplog)
    with pytest.raises(InputError, match="another stacker is at work"):
        other.start()
    other.folder = tmp_path / "in2"
    other.folder.mkdir()
    with pytest.raises(InputError, match="another stacker is at work"):
        other.start()
    with pytest.raises(InputError, match="the frames are there"):
        Watch(
            rig.folder,
            rig.folder,
            FusePlan(),
            WatchSettings(),
            GroupSettings(),
            AtOnce(),
        )


def test_stopping_abandons_the_bracket_and_leaves_nothing(rig, monkeypatch):
    """The job at hand stops at its next step, and is done after the next start."""
    stop, begun = threading.Event(), threading.Event()
    set_stop(stop)
    real = pipeline.fuse_bracket

    def waits(*args, on_event, **options):
        def wait_for_the_stop(event):
            begun.set()
            stop.wait(10)
            on_event(event)

        return real(*args, on_event=wait_for_the_stop, **options)

    class Thread(AtOnce):
        def __init__(self):
            super().__init__()
            self.pool = ThreadPoolExecutor(1)

        def submit(self, work, job):
            return self.pool.submit(work, job)

        def abandon(self):
            stop.set()

        def close(self):
            self.pool.shutdown()

    monkeypatch.setattr(pipeline, "fuse_bracket", waits)
    rig.workers = Thread()
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(14)
    assert begun.wait(10)
    assert folder_status(rig.folder)["brackets"][0]["state"] == "fusing"
    rig.end()
    assert rig.brackets() == {"in_a1": "waiting"}
    assert sorted(p.name for p in rig.results.iterdir()) == ["index.html"]
    set_stop(threading.Event())
    monkeypatch.setattr(pipeline, "fuse_bracket", real)
    rig.workers = AtOnce()
    rig.start().go(14)
    assert rig.brackets() == {"in_a1": "done"}


def stats_of(paths):
    return tuple(stat for stat in map(stat_of, paths) if stat is not None)


def test_a_job_done_twice_is_done_once(rig, monkeypatch):
    """A worker that was taken for lost, and another that did its job meanwhile."""
    rig.put("a1.tif", "a2.tif")
    rig.results.mkdir()
    paths = tuple(str(rig.folder / f"a{i}.tif") for i in (1, 2))
    stats = stats_of(paths)
    job = Job(number=1, frames=paths, stats=stats, results=str(rig.results), name="x")
    first, second = fuse_job(job), fuse_job(job)
    assert (first.state, first.was_there) == ("done", False)
    assert (second.state, second.was_there) == ("done", True)
    assert first.fusion is not None
    assert second.fusion is not None
    assert second.fusion.message == first.fusion.message
    assert second.fusion.files == first.fusion.files
    rig.put("a1.tif", mark=5)
    stats = stats_of(paths)
    other = fuse_job(
        Job(number=1, frames=paths, stats=stats, results=str(rig.results), name="x")
    )
    assert other.state == "failed"
    assert "exists already" in other.note


# Names and links from anywhere ------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="names that Windows has not")
def test_hostile_names_are_only_names(rig, tmp_path):
    places = [
        "a\nb",
        '"><script>alert(1)</script>',
        "-rf $(touch pwned) `x`",
        os.fsdecode(b"\xff\xfe"),
        "n" * 255,
        "'; DROP TABLE brackets; --",
    ]
    rig.start().go(1)
    for place in places:
        rig.put(f"{place}/-x1.tif", f"{place}/-x2.tif")
    long = "x" * 250  # with number and suffix as long as names can be
    rig.put(f"long/{long}1.tif", f"long/{long}2.tif")
    places.append("long")
    rig.go(30)
    brackets = folder_status(rig.folder)["brackets"]
    assert [b["state"] for b in brackets] == ["done"] * len(places)
    assert {b["frames"][0].rsplit("/", 1)[0] for b in brackets} == set(places)
    page = rig.page()
    assert "<script>alert" not in page
    assert page.count("<script>") == 1  # our own
    for path in rig.results.rglob("*"):
        assert path.name.isprintable()
        assert path.resolve().is_relative_to(rig.results.resolve())
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in", "out", "state"]


@pytest.mark.skipif(sys.platform == "win32", reason="links of POSIX")
def test_links_lead_nowhere(rig, tmp_path):
    """Neither to frames elsewhere nor, in the results, out of them."""
    write_bracket(tmp_path / "secret", ["s1.tif", "s2.tif"])
    (rig.folder / "link").symlink_to(tmp_path / "secret")
    (rig.folder / "s1.tif").symlink_to(tmp_path / "secret" / "s1.tif")
    (tmp_path / "elsewhere").mkdir()
    rig.results.mkdir()
    (rig.results / "cup").symlink_to(tmp_path / "elsewhere")
    rig.group = {"name": "{folder}/{first}"}
    rig.settings = {"tries": 1}
    rig.start()
    rig.put("cup/a1.tif", "cup/a2.tif")
    rig.go(14)
    assert rig.brackets() == {"cup/a1": "parked"}
    assert "leads out of" in rig.bracket("cup/a1")["note"]
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_the_users_command_is_run_with_plain_words(rig, tmp_path):
    told = tmp_path / "told.json"
    script = tmp_path / "tell.py"
    script.write_text(
        "import json, sys\n"
        f"with open({str(told)!r}, 'a') as f: f.write(json.dumps(sys.argv[1:]) + '\\n')\n"
    )
    rig.on_done = (
        f"'{sys.executable}' '{script}' {{state}} {{name}} '{{message}}; x' {{report}}"
    )
    rig.settings = {"tries": 1}
    rig.start()
    rig.put("cup $(x)/a1.tif", "cup $(x)/a2.tif")
    for k in (1, 2):
        (rig.folder / f"b{k}.tif").write_bytes(noise_bytes(k))
    rig.go(14).end()
    lines = sorted(map(json.loads, told.read_text().splitlines()))
    assert [line[:2] for line in lines] == [
        ["done", "cup _(x)_a1"],
        ["parked", "in_b1"],
    ]
    assert lines[0][2:] == [
        "2 of 2 frames fused, nothing to look at; x",
        str(rig.results / "cup _(x)_a1.report.html"),
    ]


def test_a_command_that_fails_is_said_and_does_no_harm(rig):
    rig.on_done = "no-such-command-here {name}"
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(14)
    assert rig.brackets() == {"in_a1": "done"}
    assert any("no-such-command-here: cannot be run" in t for t in rig.log())


def test_progress_shows_in_the_status(rig, monkeypatch):
    """While a bracket is fused, another process can see how far it is."""
    seen = []

    def at_work(*args, on_event, **options):
        on_event(Event(stage="fuse", done=2, total=7))
        seen.append(folder_status(rig.folder))
        raise InputError("enough")

    rig.settings = {"tries": 1}
    monkeypatch.setattr(pipeline, "fuse_bracket", at_work)
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.go(14)
    assert seen[0]["running"]
    (bracket,) = seen[0]["brackets"]
    assert bracket["state"] == "fusing"
    assert bracket["progress"] == {"stage": "fuse", "done": 2, "total": 7}
    rig.end()
    assert not folder_status(rig.folder)["running"]


def test_what_is_done_and_gone_takes_no_memory(rig):
    """A studio that moves its frames away every evening, for years."""
    rig.start()
    rig.put("a1.tif", "a2.tif")
    rig.put("b1.tif")
    rig.go(14)
    assert len(rig.watch.books.entries) == 2
    for name in ("a1.tif", "a2.tif"):
        (rig.folder / name).unlink()
    rig.go(5)
    assert [e.state for e in rig.watch.books.entries.values()] == ["gathering"]
    assert rig.brackets() == {"in_a1": "done", "b1.tif": "gathering"}
    assert "in_a1.report.html" in rig.page()
    rig.put("a1.tif", "a2.tif", mark=7)  # the counter begins anew
    rig.go(14)
    assert rig.brackets()["in_a1-2"] == "done"
