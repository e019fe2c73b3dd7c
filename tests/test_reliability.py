"""Real watches of real folders, killed, starved and kept busy: the benchmark, in small."""

import os
import sys

import pytest

from benchmarks import reliability
from benchmarks.studio import Studio, shoot

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="counts processes in /proc"),
]


def test_killed_at_any_moment_nothing_is_lost_or_done_twice(tmp_path):
    figures = reliability.crash(tmp_path, kills=2, longest_life_s=3.0)
    assert reliability.n_faults(figures) == 0, figures
    assert figures["exit_status_of_sigterm"] == 0
    assert figures["brackets"] == 2


def test_slow_copies_by_every_way_of_writing_are_grouped_right(tmp_path):
    figures = reliability.slow(tmp_path, frames=14, brackets=4, gap_s=2.5)
    assert reliability.n_faults(figures) == 0, figures
    assert figures["grouped_right"] == 4


def test_places_that_are_full_forbidden_or_gone_are_waited_for(tmp_path):
    figures = reliability.disk(tmp_path, whole=False)
    assert reliability.n_faults(figures) == 0, figures
    for trouble, told in figures.items():
        assert told["told"], trouble
        assert told["goes_on_by_itself"], trouble


def test_nothing_grows(tmp_path):
    figures = reliability.soak(tmp_path, brackets=12)
    assert reliability.n_faults(figures) == 0, figures


def test_a_watch_of_a_folder_that_is_not_there_says_so(tmp_path):
    studio = Studio(tmp_path)
    studio.folder.rmdir()
    studio.start()
    assert studio.process is not None
    assert studio.process.wait(120) == 1
    assert studio.log.endswith(f"stacker: {studio.folder}: no such folder\n")


def test_the_command_line_of_benchmarks(tmp_path, monkeypatch):
    made = []

    def soaked(place, brackets):
        made.append(brackets)
        return {}

    monkeypatch.setattr(reliability, "soak", soaked)
    record = tmp_path / "figures.json"
    words = ["soak", "--brackets", "7", "--json", str(record), "--work", str(tmp_path)]
    assert reliability.main(words) == 0
    assert made == [7]
    assert '"took_s"' in record.read_text()


def test_a_studio_knows_when_something_is_wrong(tmp_path):
    """The counting itself: a lost, a mixed and a half-written bracket are seen."""
    studio = Studio(tmp_path)
    for number in (1, 2):
        studio.put(shoot(number, 2, kind="folder"))
    studio.results.mkdir()
    (studio.results / "shot 001_f00.tif").write_bytes(b"II*\0 half")
    (studio.results / "shot 001_f00.report.json").write_text('{"frames": []}')
    (studio.results / ".left").touch()
    (studio.folder / "shot 002/f00.tif").write_bytes(os.urandom(9))
    faults = studio.faults()
    assert faults["lost"] == 1
    assert faults["mixed"] == 1
    assert faults["half_written"] == 2
    assert faults["temporary_files_left"] == 1
    assert faults["sources_changed"] == 1
