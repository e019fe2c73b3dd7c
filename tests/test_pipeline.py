"""Files in, files out: everything or nothing, and a record that is true.

The computing itself is replaced by a quick stand-in: what is tested here is which files
it is given, what is written of its answer, and what is left behind when things go wrong.
"""

import json
import os
import threading
import tomllib
from importlib.metadata import PackageNotFoundError
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

import stacker
from stacker import pipeline
from stacker.errors import (
    BracketError,
    FrameReadError,
    OutputError,
    OutputExistsError,
)
from stacker.events import Event
from stacker.files import Results
from stacker.frame import Finding
from stacker.pipeline import fuse_bracket
from stacker.settings import AlignSettings, FuseSettings, OutputSettings, ReadSettings
from tests.made import made_result

ROOT = Path(__file__).parents[1]
SHAPE = (48, 67)
NAMES = [
    "still.tif",
    "still.depth.tif",
    "still.confidence.tif",
    "still.coverage.tif",
    "still.report.json",
    "still.report.html",
]
LOOK = Finding(code="moved", message="Something moved.", severity="look")
RESHOOT = Finding(code="lost", message="A frame is missing.", severity="reshoot")


@pytest.fixture
def shots(tmp_path):
    """A folder with five 16-bit frames that differ."""
    folder = tmp_path / "shots"
    folder.mkdir()
    rng = np.random.default_rng(5)
    for k in range(5):
        pixels = rng.integers(0, 65536, (*SHAPE, 3), np.uint16)
        tifffile.imwrite(folder / f"f{k}.tif", pixels, photometric="rgb", metadata=None)
    return folder


@pytest.fixture
def out(tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()
    return folder


class StandIn:
    """In place of the computing: remembers its call, answers a made result."""

    def __init__(self):
        self.calls, self.findings, self.error = [], (LOOK,), None

    def __call__(self, source, settings, *, transfer, on_event):
        self.calls.append((source, settings, transfer))
        if self.error is not None:
            raise self.error
        for k in range(len(source.infos)):
            source.read(k)
            on_event(Event(stage="fuse", done=k + 1, total=len(source.infos)))
        colour = source.infos[0].n_channels == 3
        return made_result(
            len(source.infos), SHAPE, colour=colour, findings=self.findings
        )


@pytest.fixture
def computing(monkeypatch):
    stand_in = StandIn()
    monkeypatch.setattr(pipeline, "fuse_source", stand_in)
    return stand_in


def listing(folder):
    return sorted(p.name for p in folder.iterdir())


def test_writes_all_files_of_the_contract_and_nothing_else(shots, out, computing):
    report = fuse_bracket([shots], out / "still.tif")
    assert listing(out) == sorted(NAMES)
    assert sorted(p.name for p in report.files) == sorted(NAMES)
    result = made_result(5, SHAPE)
    np.testing.assert_array_equal(tifffile.imread(out / "still.tif"), result.picture)
    for name, expected in (
        ("depth", result.depth),
        ("confidence", result.confidence),
        ("coverage", result.coverage),
    ):
        path = out / f"still.{name}.tif"
        with Image.open(path) as independent:  # a second reader
            np.testing.assert_array_equal(np.asarray(independent), expected)
        assert tifffile.imread(path).dtype == expected.dtype
    assert json.loads((out / "still.report.json").read_text("utf-8")) == report.record
    html = (out / "still.report.html").read_text("utf-8")
    assert report.record["verdict"]["message"] in html


def test_record_is_true(shots, out, computing, monkeypatch):
    """Names as given, the settings used, times that add up, memory of this process."""
    monkeypatch.chdir(shots.parent)
    settings = FuseSettings(align=AlignSettings(motion="affine"), threads=1)
    read = ReadSettings(max_pixels=10_000)
    record = fuse_bracket(["shots"], "out/still.tif", settings, read=read).record
    assert [f["file"] for f in record["frames"]] == [
        f"shots/f{k}.tif" for k in range(5)
    ]
    assert [f["file"] for f in record["inputs"]["frames"]] == [
        f"shots/f{k}.tif" for k in range(5)
    ]
    assert record["outputs"]["master"] == "out/still.tif"
    assert record["outputs"]["report_html"] == "out/still.report.html"
    used = record["settings"]
    assert ReadSettings(**used.pop("read")) == read
    assert used.pop("output")["compression"] == "deflate"
    assert FuseSettings.from_dict(used) == settings
    times = record["timings_s"]
    assert set(times) == {"decode", "align", "measure", "fuse", "encode", "total"}
    assert 0 < times["encode"] < times["total"]
    assert 20e6 < record["peak_memory_bytes"] < 8e9
    assert record["environment"]["numpy"] == np.__version__
    assert computing.calls[0][1] == settings
    assert computing.calls[0][2].shape == (3, 65536)


def test_master_carries_the_fingerprint_of_the_report(shots, out, computing):
    """A master that has lost its report can still be matched with its settings."""
    record = fuse_bracket([shots], out / "still.tif").record
    other = fuse_bracket(
        [shots], out / "other.tif", FuseSettings(align=AlignSettings(motion="affine"))
    ).record
    assert record["settings_digest"] != other["settings_digest"]
    with tifffile.TiffFile(out / "still.tif") as tif:
        packet = tif.pages.first.tags[700].value  # XMP
    assert record["settings_digest"].encode() in packet


def test_frames_come_in_the_order_asked_for(shots, out, computing):
    """By name as named; a folder's in natural order."""
    (shots / "f0.tif").rename(shots / "f10.tif")
    fuse_bracket([shots], out / "a.tif")
    fuse_bracket([shots / "f3.tif", shots / "f1.tif"], out / "b.tif")
    names = [[i.name for i in c[0].infos] for c in computing.calls]
    assert [n.rsplit(os.sep, 1)[1] for n in names[0]] == [
        "f1.tif", "f2.tif", "f3.tif", "f4.tif", "f10.tif",
    ]  # fmt: skip
    assert [n.rsplit(os.sep, 1)[1] for n in names[1]] == ["f3.tif", "f1.tif"]
    with pytest.raises(BracketError, match="no time of capture"):
        fuse_bracket([shots], out / "c.tif", read=ReadSettings(order="captured"))


def test_findings_are_in_the_report_worst_first(shots, out, computing):
    computing.findings = (LOOK, RESHOOT)
    report = fuse_bracket([shots], out / "still.tif")
    # The frames carry no profile: sRGB is assumed, and that is said.
    assert [f.severity for f in report.findings] == ["reshoot", "look", "note"]
    assert [w["code"] for w in report.record["warnings"]] == [
        "lost",
        "moved",
        "profile_note",
    ]
    assert report.needs_a_look


def test_a_note_alone_needs_no_look(shots, out, computing):
    computing.findings = ()
    report = fuse_bracket([shots], out / "still.tif")
    assert [f.severity for f in report.findings] == ["note"]
    assert not report.needs_a_look


def test_what_reading_leaves_out_is_said_once_with_its_frames(tmp_path, out, computing):
    """An alpha channel is dropped: one line for all frames, not one per frame."""
    for k in range(3):
        pixels = np.full((*SHAPE, 4), 100 + k, np.uint8)
        tifffile.imwrite(
            tmp_path / f"a{k}.tif",
            pixels,
            photometric="rgb",
            extrasamples=["unassalpha"],
            metadata=None,
        )
    report = fuse_bracket([tmp_path / "a*.tif"], out / "still.tif")
    notes = [f for f in report.findings if f.code == "reading_note"]
    assert len(notes) == 1
    assert "lpha" in notes[0].message
    assert notes[0].frames == (0, 1, 2)


def test_progress_is_reported_stage_by_stage(shots, out, computing):
    events: list[Event] = []
    fuse_bracket([shots], out / "still.tif", on_event=events.append)
    assert [e.stage for e in events] == ["fuse"] * 5 + ["write"] * 4 + ["report"]
    for stage in ("fuse", "write", "report"):
        last = [e for e in events if e.stage == stage][-1]
        assert last.done == last.total


def test_progress_comes_in_the_calling_thread(shots, out, computing):
    threads = set()
    fuse_bracket(
        [shots],
        out / "still.tif",
        on_event=lambda _: threads.add(threading.current_thread()),
    )
    assert threads == {threading.current_thread()}


def test_a_page_that_fails_while_files_are_written_leaves_nothing(
    shots, out, computing, monkeypatch
):
    """The master is still being written when the page's pictures fail."""
    is_failed = threading.Event()
    write_master = Results.write_master

    def slowly(self, *args):
        assert is_failed.wait(10)
        write_master(self, *args)

    def fail(*_, **__):
        is_failed.set()
        raise RuntimeError

    monkeypatch.setattr(Results, "write_master", slowly)
    monkeypatch.setattr(pipeline, "page_images", fail)
    with pytest.raises(RuntimeError):
        fuse_bracket([shots], out / "still.tif")
    assert listing(out) == []


def test_preview_beside_the_master_where_asked_for(shots, out, computing):
    outputs = OutputSettings(preview=True)
    report = fuse_bracket([shots], out / "still.tif", outputs=outputs)
    assert report.record["outputs"]["preview"] == str(out / "still.preview.jpg")
    with Image.open(out / "still.preview.jpg") as preview:
        assert preview.size == (67, 48)


# Nothing is left behind ------------------------------------------------------------


@pytest.mark.parametrize("error", [KeyboardInterrupt, MemoryError, BracketError("no")])
def test_a_stopped_computation_leaves_nothing(shots, out, computing, error):
    computing.error = error
    before = {p: p.read_bytes() for p in shots.iterdir()}
    with pytest.raises((KeyboardInterrupt, MemoryError, BracketError)):
        fuse_bracket([shots], out / "still.tif")
    assert listing(out) == []
    assert {p: p.read_bytes() for p in shots.iterdir()} == before


@pytest.mark.parametrize("stage", ["fuse", "write", "report"])
def test_a_stop_from_the_callback_leaves_nothing(shots, out, computing, stage):
    """Ctrl-C can come at any moment, also between two files."""

    def stop(event):
        if event.stage == stage:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fuse_bracket([shots], out / "still.tif", on_event=stop)
    assert listing(out) == []


def test_a_failed_fusion_keeps_the_results_of_the_last(shots, out, computing):
    fuse_bracket([shots], out / "still.tif")
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    computing.error = RuntimeError("broken")
    with pytest.raises(RuntimeError):
        fuse_bracket([shots], out / "still.tif", outputs=OutputSettings(overwrite=True))
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before


def test_a_full_disk_is_one_line_and_leaves_nothing(shots, out, computing, monkeypatch):
    def full(*args, **options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("stacker.files.results.write_tiff", full)
    with pytest.raises(OutputError, match=r"still\.tif: .*no space left on device"):
        fuse_bracket([shots], out / "still.tif")
    assert listing(out) == []


# Refused before the work -----------------------------------------------------------


def refused(computing, inputs, output, kind, message, **settings):
    with pytest.raises(kind, match=message) as caught:
        fuse_bracket(inputs, output, **settings)
    assert computing.calls == []  # before the work, not after an hour of it
    assert "\n" not in str(caught.value)


def test_existing_results_are_refused_and_replaced_only_when_asked(
    shots, out, computing
):
    (out / "still.coverage.tif").write_bytes(b"precious")
    refused(
        computing,
        [shots],
        out / "still.tif",
        OutputExistsError,
        r"still\.coverage\.tif: exists already",
    )
    assert (out / "still.coverage.tif").read_bytes() == b"precious"
    assert listing(out) == ["still.coverage.tif"]
    fuse_bracket([shots], out / "still.tif", outputs=OutputSettings(overwrite=True))
    assert listing(out) == sorted(NAMES)
    assert (out / "still.coverage.tif").read_bytes() != b"precious"


def test_a_result_may_never_replace_a_frame(shots, computing):
    refused(
        computing,
        sorted(shots.iterdir()),
        shots / "f3.tif",
        OutputError,
        "is one of the frames",
        outputs=OutputSettings(overwrite=True),
    )


def test_outputs_that_cannot_be_written(shots, out, computing):
    for output, message in (
        (out / "no" / "still.tif", "no such folder"),
        (shots / "f1.tif" / "still.tif", "is not a folder"),
        (out / "still.gif", r"must end in \.tif"),
    ):
        refused(computing, [shots], output, OutputError, message)


def test_inputs_that_make_no_bracket(shots, out, computing, tmp_path):
    empty = tmp_path / "empty"
    empty.mkdir()
    copy = tmp_path / "copy.tif"
    copy.write_bytes((shots / "f1.tif").read_bytes())
    other = tmp_path / "other.tif"
    tifffile.imwrite(other, np.ones((30, 50, 3), np.uint16), photometric="rgb")
    f0, f1 = shots / "f0.tif", shots / "f1.tif"
    cut = tmp_path / "cut.tif"
    cut.write_bytes(f0.read_bytes()[:-500])
    for inputs, kind, message in (
        ([empty], BracketError, "no frames found"),
        ([f0], BracketError, "at least two frames"),
        ([f0, shots / "gone.tif"], FrameReadError, r"gone\.tif: no such file"),
        ([f0, f1, copy], BracketError, "a copy of"),
        ([f0, f1, f0], BracketError, "the same file"),
        ([f0, other], BracketError, "50 x 30 pixels"),
        ([f1, cut], FrameReadError, r"cut\.tif"),
    ):
        refused(computing, inputs, out / "still.tif", kind, message)
    refused(
        computing,
        [shots],
        out / "still.tif",
        FrameReadError,
        "pixels",
        read=ReadSettings(max_pixels=1000),
    )
    assert listing(out) == []


# The package's face ----------------------------------------------------------------


def test_public_names_are_there_and_sorted():
    """What is announced can be used, and nothing else is."""
    assert stacker.__all__ == sorted(stacker.__all__)
    for name in stacker.__all__:
        if name != "__version__":  # known only where the package is installed
            assert getattr(stacker, name).__name__ == name
    assert stacker.fuse_bracket is fuse_bracket
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = stacker.nonsense


def test_version_is_that_of_the_installed_package():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    try:
        assert stacker.__version__ == project["version"]
    except PackageNotFoundError:
        pytest.skip("run from a source folder, not installed")
