"""The command line: translation into library calls, exit statuses, what is said where."""

import json
import logging
import os
import shlex
import signal
import subprocess
import sys
import time
from dataclasses import fields
from pathlib import Path

import click
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from stacker import pipeline
from stacker.cli import COMMANDS, main
from stacker.cli.fuse import ALIGN, FUSE, OUTPUT, READ
from stacker.cli.options import attribute_help
from stacker.errors import BracketError, FrameReadError
from stacker.events import Event
from stacker.frame import Finding
from stacker.pipeline import FusionReport
from stacker.report.record import build_record, record_json
from stacker.settings import AlignSettings, FuseSettings, OutputSettings, ReadSettings
from tests.made import made_facts

ROOT = Path(__file__).parents[1]
LOOK = Finding(
    code="moved", message="Something\nmoved.", severity="look", action="See."
)
NOTE = Finding(code="profile_note", message="No profile.", severity="note")


class Library:
    """In place of `fuse_bracket`: remembers the call, answers a made report."""

    def __init__(self):
        self.call, self.findings, self.error = None, (), None

    def __call__(self, inputs, output, settings, *, read, outputs, on_event):
        self.call = (inputs, output, settings, read, outputs)
        if self.error is not None:
            raise self.error
        for done in (1, 2, 3):
            on_event(Event(stage="fuse", done=done, total=3, message="f\n[bold].tif"))
        facts = made_facts(findings=self.findings)
        record = build_record(facts)
        return FusionReport(record=record, findings=self.findings, files=())


@pytest.fixture
def library(monkeypatch):
    stand_in = Library()
    monkeypatch.setattr(pipeline, "fuse_bracket", stand_in)
    yield stand_in
    logging.getLogger("stacker").handlers = []
    logging.getLogger("stacker").setLevel(logging.NOTSET)


def run(*args):
    return CliRunner().invoke(main, [str(a) for a in args])


def test_frames_and_defaults_go_to_the_library(library):
    """With no option given, the defaults of the settings classes hold."""
    result = run("fuse", "a.tif", "b.tif", "--output", "out/x.tif")
    assert result.exit_code == 0, result.output
    assert library.call == (
        (Path("a.tif"), Path("b.tif")),
        Path("out/x.tif"),
        FuseSettings(),
        ReadSettings(),
        OutputSettings(),
    )


def test_every_option_reaches_its_setting(library):
    options = shlex.split(
        "--order captured --max-pixels 1000 --no-align --motion affine --reference 3 "
        "--no-light --min-correlation 0.7 --threads 2 --compression zstd --bits 8 "
        "--tiff-tiles --preview --strip-gps --overwrite --no-checksums --tiles --ply "
        "--near 300 --far 410.5 --far-first --pixel-mm 0.02"
    )
    result = run("fuse", "shots", "-o", "x.tif", *options)
    assert result.exit_code == 0, result.output
    _, _, settings, read, outputs = library.call
    assert settings == FuseSettings(
        align=AlignSettings(
            enabled=False,
            motion="affine",
            reference=3,
            normalise_light=False,
            min_correlation=0.7,
        ),
        threads=2,
    )
    assert read == ReadSettings(max_pixels=1000, order="captured")
    assert outputs == OutputSettings(
        compression="zstd",
        bits=8,
        tiles=True,
        preview=True,
        strip_gps=True,
        overwrite=True,
        checksums=False,
        page_tiles=True,
        ply=True,
        near_mm=300,
        far_mm=410.5,
        far_first=True,
        pixel_mm=0.02,
    )


def test_every_setting_is_an_option_with_help_and_the_class_s_default():
    """A setting that cannot be reached, or is not explained, is of no use."""
    command = main.get_command(click.Context(main), "fuse")
    assert command is not None
    options = {p.name: p for p in command.params if isinstance(p, click.Option)}
    library_only = {(FuseSettings, "align"), (FuseSettings, "strict")}
    for group in (READ, ALIGN, FUSE, OUTPUT):
        for field in fields(group.kind):
            if (group.kind, field.name) in library_only:
                continue
            option = options[group.names[field.name]]
            assert option.default == field.default
            assert option.help == attribute_help(group.kind)[field.name]


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--reference", "best"], "reference is 'best': expected auto, first"),
        (["--min-correlation", "2"], "min_correlation is 2.0: expected 0 to 1"),
        (["--motion", "shear"], "'shear' is not one of"),
        (["--threads", "-1"], "threads is -1: expected 0 or more"),
        (["--nonsense"], "No such option"),
    ],
)
def test_wrong_usage_is_status_2_before_any_work(library, args, words):
    result = run("fuse", "shots", "-o", "x.tif", *args)
    assert result.exit_code == 2
    assert words in result.stderr
    assert library.call is None


def test_missing_arguments_and_unknown_commands_are_status_2():
    for args in (["fuse"], ["fuse", "a.tif"], ["nonsense"], []):
        assert run(*args).exit_code == 2


def test_an_error_is_one_line_and_status_1(library):
    """Line breaks in a file's name must not make two lines of one error."""
    library.error = FrameReadError("a\nb.tif", "no such file")
    result = run("fuse", "a\nb.tif", "-o", "x.tif")
    assert result.exit_code == 1
    assert result.stderr == "stacker: a\\nb.tif: no such file\n"
    assert result.stdout == ""


def test_an_unexpected_error_is_one_line_too(library):
    library.error = ZeroDivisionError("division by zero")
    result = run("fuse", "a.tif", "-o", "x.tif")
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "ZeroDivisionError: division by zero" in result.stderr
    assert "--debug" in result.stderr


@pytest.mark.parametrize("place", ["before", "after"])
def test_debug_shows_where_it_happened(library, place):
    """The options of all commands count before and after the command's name."""
    library.error = BracketError("no frames")
    args = ["fuse", "a.tif", "-o", "x.tif"]
    result = run(*(["--debug", *args] if place == "before" else [*args, "--debug"]))
    assert result.exit_code == 1
    assert result.exception is library.error


def test_interrupt_is_status_130(library):
    library.error = KeyboardInterrupt()
    result = run("fuse", "a.tif", "-o", "x.tif")
    assert result.exit_code == 130
    assert result.stderr == "stacker: interrupted, nothing was written\n"


@pytest.mark.parametrize(
    ("findings", "strict", "status"),
    [
        ((LOOK,), True, 3),
        ((LOOK,), False, 0),
        ((NOTE,), True, 0),
        ((), True, 0),
    ],
)
def test_strict_is_status_3_where_a_person_should_look(
    library, findings, strict, status
):
    library.findings = findings
    args = ["fuse", "a.tif", "-o", "x.tif"] + ["--strict"] * strict
    assert run(*args).exit_code == status


def test_summary_says_the_verdict_first_and_where_the_files_are(library):
    library.findings = (LOOK, NOTE)
    result = run("fuse", "a.tif", "-o", "x.tif")
    assert result.stdout.splitlines() == [
        "5 of 5 frames fused, 1 thing to look at",
        "  look: Something\\nmoved. See.",
        "  note: No profile.",
        "out/still life.tif",
        "out/still life.report.html",
    ]


def test_json_is_all_that_goes_to_stdout(library):
    """A script reads stdout; progress must not get in between."""
    result = run("fuse", "a.tif", "-o", "x.tif", "--json")
    assert result.stdout == record_json(build_record(made_facts()))
    assert json.loads(result.stdout)["schema"] == "stacker.report/1"
    assert "fusing 3/3" in result.stderr


def test_progress_is_plain_lines_where_there_is_no_terminal(library):
    """One line per stage in a log, with nothing in it that a terminal would obey."""
    result = run("fuse", "a.tif", "-o", "x.tif")
    assert result.stderr == "fusing 3/3 f\\n[bold].tif\n"


@pytest.mark.parametrize("place", ["before", "after"])
def test_quiet_says_nothing(library, place):
    library.findings = (LOOK,)
    args = ["fuse", "a.tif", "-o", "x.tif"]
    result = run(*(["-q", *args] if place == "before" else [*args, "-q"]))
    assert result.exit_code == 0
    assert result.output == ""


@pytest.mark.parametrize(
    ("args", "seen"),
    [([], "WARNING"), (["-v"], "INFO"), (["-vv"], "DEBUG"), (["-q"], "ERROR")],
)
def test_verbosity_sets_the_level_of_the_log(library, args, seen):
    run("fuse", "a.tif", "-o", "x.tif", *args)
    assert logging.getLogger("stacker").level == getattr(logging, seen)


# In a process of its own ------------------------------------------------------------


def python(code, **kwargs):
    return subprocess.Popen(
        [sys.executable, "-c", code],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **kwargs,
    )


@pytest.mark.parametrize("args", [["--help"], [next(iter(COMMANDS)), "--help"]])
def test_help_loads_nothing_heavy(args):
    """Help has to appear at once; these imports cost a tenth of a second and more each."""
    code = f"""
import sys
from stacker.cli import main
try:
    main({args!r})
except SystemExit as end:
    assert end.code == 0
heavy = {{"numpy", "cv2", "numba", "skimage", "tifffile", "PIL", "rich", "jinja2"}}
sys.exit(", ".join(heavy & set(sys.modules)) or None)
"""
    child = python(code)
    out, err = child.communicate(timeout=30)
    assert child.returncode == 0, err
    assert "Usage: " in out


def test_importing_the_package_loads_nothing():
    code = "import sys, stacker; sys.exit(int('numpy' in sys.modules))"
    child = python(code)
    child.communicate(timeout=30)
    assert child.returncode == 0


SLOW = """
import signal, sys, time
from stacker import pipeline
from stacker.cli import main

def slow(source, settings, *, transfer, on_event):
    print("at work", flush=True)
    time.sleep(30)

pipeline.fuse_source = slow
# A test run started in the background of a shell inherits an ignored SIGINT.
signal.signal(signal.SIGINT, signal.default_int_handler)
main(["fuse", "sample_data", "--output", sys.argv[1]])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_leave_nothing_behind(tmp_path, number):
    """Whoever stops the tool finds the folder as it was, and status 130."""
    child = subprocess.Popen(
        [sys.executable, "-c", SLOW, str(tmp_path / "x.tif")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "at work\n"
    assert list(tmp_path.iterdir()) != []  # the hidden folder of the run
    child.send_signal(number)
    _, err = child.communicate(timeout=30)
    assert child.returncode == 130
    assert err == "stacker: interrupted, nothing was written\n"
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def knocked(tmp_path):
    """Three frames cut from the sample, and one of another picture."""
    folder = tmp_path / "shots"
    folder.mkdir()
    for k in (4, 5, 6):
        pixels = tifffile.imread(ROOT / f"sample_data/spice_shelf_0{k}.tif")
        cut = pixels[120:331, 150:467]
        tifffile.imwrite(folder / f"f{k}.tif", cut, photometric="rgb", metadata=None)
    noise = np.random.default_rng(1).integers(0, 65536, (211, 317, 3), np.uint16)
    tifffile.imwrite(folder / "f7.tif", noise, photometric="rgb", metadata=None)
    return folder


@pytest.mark.parametrize(("strict", "status"), [(False, 0), (True, 3)])
def test_a_whole_run_leaves_a_lost_frame_out_and_says_so(
    knocked, tmp_path, strict, status
):
    """Nothing replaced: all rooms together, from files to files."""
    result = run(
        *("fuse", knocked, "--output", tmp_path / "x.tif", "--json"),
        *(["--strict"] if strict else []),
    )
    assert result.exit_code == status, result.output
    record = json.loads(result.stdout)
    assert record == json.loads((tmp_path / "x.report.json").read_text("utf-8"))
    assert [f["used"] for f in record["frames"]] == [True, True, True, False]
    left_out = {w["code"]: w for w in record["warnings"]}["frame_left_out"]
    assert left_out["frames"] == [3]
    assert sum(f["share"] for f in record["frames"]) == pytest.approx(1)
    labels = tifffile.imread(tmp_path / "x.coverage.tif")
    for k, frame in enumerate(record["frames"]):
        assert frame["share"] == pytest.approx(np.mean(labels == k))
    assert tifffile.imread(tmp_path / "x.tif").shape == (211, 317, 3)
    assert "left out" in (tmp_path / "x.report.html").read_text("utf-8")


BARS = """
import time
from stacker.cli.group import Verbosity
from stacker.cli.progress import progress
from stacker.events import Event

with progress(Verbosity()) as on_event:
    for done in range(1, 6):
        on_event(Event(stage="align", done=done, total=5, message="[red]f.tif"))
        time.sleep(0.02)
print("done")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals of POSIX")
def test_progress_is_bars_on_a_terminal():
    import pty

    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-c", BARS],
        stdout=subprocess.PIPE,
        stderr=theirs,
        text=True,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "100"},
    )
    os.close(theirs)
    seen = b""
    end = time.monotonic() + 30
    while time.monotonic() < end:
        try:
            part = os.read(ours, 4096)
        except OSError:  # Linux: the other end is closed
            break
        if not part:
            break
        seen += part
    os.close(ours)
    out, _ = child.communicate(timeout=30)
    assert child.returncode == 0
    assert out == "done\n"
    assert b"aligning" in seen
    assert b"/5" in seen
    assert b"[red]f.tif" in seen  # a name is shown as it is, not read as a style


def test_completion_names_the_commands():
    env = {
        **os.environ,
        "_STACKER_COMPLETE": "bash_complete",
        "COMP_WORDS": "stacker fu",
        "COMP_CWORD": "1",
    }
    code = "from stacker.cli import main; main(prog_name='stacker')"
    child = python(code, env=env)
    out, err = child.communicate(timeout=30)
    assert "plain,fuse" in out, err
