"""``stacker watch`` and ``stacker status``: translation, what is printed, how they end."""

import json
import logging
import shlex
import signal
import threading
from dataclasses import fields
from typing import Any

import click
import pytest
from click.testing import CliRunner

from stacker.cli import main
from stacker.cli import watch as watch_command
from stacker.cli.options import attribute_help
from stacker.cli.watch import GROUP, WATCH
from stacker.hotfolder import loop
from stacker.settings import (
    AlignSettings,
    FuseSettings,
    GroupSettings,
    OutputSettings,
    ReadSettings,
    WatchSettings,
)
from tests.shots import write_bracket


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    place = tmp_path / "state"
    monkeypatch.setattr(
        "stacker.hotfolder.places.user_state_path", lambda *_, **__: place
    )
    yield
    logging.getLogger("stacker").handlers = []
    logging.getLogger("stacker").setLevel(logging.NOTSET)


@pytest.fixture
def folder(tmp_path):
    write_bracket(tmp_path / "in" / "cup", ["c1.tif", "c2.tif", "c3.tif"])
    write_bracket(tmp_path / "in", ["p1.tif", "p2.tif", "p9.tif"])
    (tmp_path / "in" / "p9.tif").write_bytes(b"II*\0 half")
    return tmp_path / "in"


def run(*args):
    return CliRunner().invoke(main, [str(a) for a in args])


class Stopped(loop.Watch):
    """A watch that is stopped before it begins; the last one made is kept."""

    last: "Stopped"

    def __init__(self, *args, **options):
        super().__init__(*args, **options)
        self.given = args
        Stopped.last = self
        self.stop()


@pytest.fixture
def stopped(monkeypatch):
    monkeypatch.setattr(loop, "Watch", Stopped)
    return Stopped


def test_a_dry_run_tells_brackets_with_reasons_and_writes_nothing(folder, tmp_path):
    before = sorted(tmp_path.rglob("*"))
    result = run("watch", folder, "--into", tmp_path / "out", "--dry-run")
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines() == [
        "cup_c1: 3 frames",
        "  cup/c1.tif: first of the series c... in folder cup",
        "  cup/c2.tif: follows c1.tif",
        "  cup/c3.tif: follows c2.tif",
        "in_p1: 2 frames",
        "  p1.tif: first of the series p...",
        "  p2.tif: follows p1.tif",
        "not whole: p9.tif: no picture in it",
    ]
    assert sorted(tmp_path.rglob("*")) == before


def test_defaults_are_those_of_the_settings(folder, tmp_path, stopped):
    result = run("watch", folder, "--into", tmp_path / "out")
    assert result.exit_code == 0, result.output
    given_folder, results, plan, watch, group, workers = stopped.last.given
    assert (given_folder, results) == (folder, tmp_path / "out")
    assert (watch, group) == (WatchSettings(), GroupSettings())
    assert plan.fuse == FuseSettings()
    assert plan.read == ReadSettings()
    assert plan.outputs == OutputSettings()
    assert plan.name == GroupSettings().name
    assert workers.n_slots() == 1


def test_options_reach_their_settings(folder, tmp_path, stopped):
    options = shlex.split(
        "--gap 12 --folders whole --name {first} --settle 3 --every 4 --patience 5 "
        "--close-on *.end --tries 6 --retry 7 --longest-retry 8 --no-light --threads 2 "
        "--max-pixels 99 --compression lzw --on-done 'say {name}'"
    )
    result = run("watch", folder, "--into", tmp_path / "out", *options)
    assert result.exit_code == 0, result.output
    _, _, plan, watch, group, _ = stopped.last.given
    assert group == GroupSettings(gap_s=12, folders="whole", name="{first}")
    assert watch == WatchSettings(
        settle_s=3,
        look_s=4,
        patience_s=5,
        close_on="*.end",
        tries=6,
        retry_s=7,
        longest_retry_s=8,
    )
    assert plan.fuse == FuseSettings(
        align=AlignSettings(normalise_light=False), threads=2
    )
    assert plan.read.max_pixels == 99
    assert plan.outputs.compression == "lzw"
    assert (plan.name, plan.on_done) == ("{first}", "say {name}")


def test_every_setting_of_a_watch_is_an_option_with_help():
    command = main.get_command(click.Context(main), "watch")
    assert command is not None
    options = {p.name: p for p in command.params if isinstance(p, click.Option)}
    for group in (GROUP, WATCH):
        assert set(group.names) == {f.name for f in fields(group.kind)}
        texts = attribute_help(group.kind)
        for field in fields(group.kind):
            option = options[group.names[field.name]]
            assert option.default == field.default
            assert option.help == texts[field.name]
    assert "overwrite" not in options  # only a bracket's own results are replaced


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("--gap 0", "more than 0"),
        ("--name {frist}", "{frist} is not known"),
        ("--on-done 'say {nme}'", "{nme} is not known"),
    ],
)
def test_wrong_values_are_one_line(folder, tmp_path, options, words):
    result = run("watch", folder, "--into", tmp_path / "out", *shlex.split(options))
    assert result.exit_code in (1, 2)
    assert words in result.stderr.splitlines()[-1]


def test_a_mistyped_folder_is_said(tmp_path):
    result = run("watch", tmp_path / "inn", "--into", tmp_path / "out")
    assert result.exit_code == 1
    assert result.stderr.splitlines()[-1] == (
        f"stacker: {tmp_path / 'inn'}: no such folder"
    )


def test_a_folder_that_is_away_is_waited_for(folder, tmp_path, stopped):
    """It was watched before: its share is not mounted yet."""
    assert run("watch", folder, "--into", tmp_path / "out").exit_code == 0
    with loop.Watch(*stopped.last.given) as watch:
        watch.round()  # now its frames are known
    folder.rename(tmp_path / "away")
    assert run("watch", folder, "--into", tmp_path / "out").exit_code == 0


def test_signals_stop_a_watch(folder, tmp_path, monkeypatch):
    """SIGTERM is how a service ends: no error, nothing half-done."""
    begun = threading.Event()

    class Signalled(loop.Watch):
        def round(self):
            super().round()
            if not begun.is_set():
                begun.set()
                signal.raise_signal(signal.SIGTERM)

    monkeypatch.setattr(loop, "Watch", Signalled)
    result = run("watch", folder, "--into", tmp_path / "out")
    assert begun.is_set()
    assert result.exit_code == 0, result.output
    assert (tmp_path / "out" / "index.html").exists()


def test_enter_closes_the_bracket(monkeypatch):
    class Terminal:
        def isatty(self):
            return True

        def __iter__(self):
            return iter(["\n", "\n"])

    class Watched:
        closed = 0

        def close_bracket(self):
            self.closed += 1

    monkeypatch.setattr("sys.stdin", Terminal())
    watched: Any = Watched()
    watch_command._listen_to_keys(watched)
    for thread in threading.enumerate():
        if thread.daemon:
            thread.join(2)
    assert watched.closed == 2


def test_status_of_a_folder_that_was_never_watched(tmp_path):
    result = run("status", tmp_path)
    assert result.exit_code == 1
    assert "neither watched nor fused as a batch" in result.stderr


def test_status_in_words_and_as_json(folder, tmp_path):
    words = ["batch", folder, "--into", tmp_path / "out", "--jobs", 1, "--threads", 1]
    assert run(*words).exit_code == 0
    lines = run("status", folder, "--reasons").stdout.splitlines()
    assert "nobody is at work on it" in lines[0]
    assert lines[1] == f"results: {tmp_path / 'out'}"
    assert lines[2] == "done: 2"
    assert lines[3].startswith("  cup_c1: 3 frames, 3 of 3 frames fused")
    assert lines[5] == "    cup/c2.tif: follows c1.tif"
    assert "p9.tif no picture in it; left out" not in "".join(lines[:7])
    told = json.loads(run("status", folder, "--json").stdout)
    assert told["counts"] == {"done": 2}
    assert [b["name"] for b in told["brackets"]] == ["cup_c1", "in_p1"]
    assert not told["running"]
