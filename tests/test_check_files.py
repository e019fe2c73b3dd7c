"""`stacker check` on files: command line, page, record, following, views into files."""

import json
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from html import unescape

import imagecodecs
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from benchmarks.brackets import SAMPLE
from stacker.checking import check_bracket, follow_bracket
from stacker.cli import main
from stacker.errors import BracketError, FrameReadError
from stacker.files import FileSource
from stacker.frame import Finding
from stacker.settings import CheckSettings

FRAMES = sorted(SAMPLE.glob("spice_shelf_*.tif"))


def folder_of(tmp_path, frames):
    folder = tmp_path / "shelf"
    folder.mkdir()
    for frame in frames:
        shutil.copy(frame, folder)
    return folder


def run(*words):
    return CliRunner().invoke(main, ["check", *map(str, words)])


def test_a_complete_bracket_exits_with_nought_and_says_so_first():
    done = run(SAMPLE, "-q")
    assert done.exit_code == 0
    assert done.stdout.splitlines()[0] == "Complete: 9 frames."


def test_a_lost_frame_exits_with_three_page_and_all(tmp_path):
    folder = folder_of(tmp_path, [*FRAMES[:4], *FRAMES[5:]])
    page = tmp_path / "out & <b>.html"
    done = run(folder, "--page", page, "-q")
    assert done.exit_code == 3
    verdict, finding, *_ = done.stdout.splitlines()
    assert verdict == "Add frames between 3 and 4."
    assert "Add 1 frame between frames 3 and 4: focus at 316 mm." in finding
    assert "(spice_shelf_04.tif, spice_shelf_06.tif)" in finding
    html = page.read_text("utf-8")
    assert html.count("<svg") >= 8  # the map, its scale, six figures
    assert "Focus path" in html
    assert "Add frames between 3 and 4." in html
    assert len(re.findall(r'class="cell c\d', html)) > 200
    # the policy allows nothing from elsewhere
    assert "default-src 'none'" in unescape(html)
    assert not re.search(r'(src|href)="(?!data:|#)', html)
    again = run(folder, "--page", page, "-q")
    assert again.exit_code == 1
    assert "exists already" in again.stderr


def test_the_record_is_json_with_every_frame_and_step(tmp_path):
    folder = folder_of(tmp_path, [*FRAMES[:6], *FRAMES[7:]])
    done = run(folder, "--json", "-q")
    record = json.loads(done.stdout)
    assert record["schema"] == "stacker.check/1"
    assert record["verdict"]["level"] == "reshoot"
    assert record["order"] == list(range(8))
    assert [f["belongs"] for f in record["frames"]] == [True] * 8
    assert max(abs(ev) for f in record["frames"] for ev in f["colour_ev"]) < 0.05
    steps = record["focus"]["steps"]
    assert len(steps) == 7
    assert steps[5] == max(steps) > 1.5
    grid = record["focus"]["grid"]
    assert len(record["focus"]["sharpest"]) == grid["rows"]
    assert {len(row) for row in record["focus"]["peak_steps"]} == {grid["columns"]}
    (gap,) = [w for w in record["warnings"] if w["severity"] != "note"]
    assert (gap["code"], gap["frames"]) == ("gap", [5, 6])


def test_a_fusion_inspects_its_bracket_too(tmp_path):
    folder = folder_of(tmp_path, [*FRAMES[:4], *FRAMES[5:]])
    words = ["fuse", str(folder), "--output", str(tmp_path / "shelf.tif"), "-q"]
    assert CliRunner().invoke(main, words).exit_code == 0
    record = json.loads((tmp_path / "shelf.report.json").read_text("utf-8"))
    (gap,) = [w for w in record["warnings"] if w["severity"] != "note"]
    assert (gap["code"], gap["frames"]) == ("gap", [3, 4])
    assert "Add 1 frame between frames 3 and 4: focus at 316 mm." in gap["action"]
    assert record["verdict"]["level"] == "reshoot"


def test_copies_and_odd_frames_are_findings_not_errors(tmp_path):
    folder = folder_of(tmp_path, FRAMES)
    shutil.copy(FRAMES[2], folder / "spice_shelf_03b.tif")
    small = np.zeros((100, 150, 3), np.uint16)
    with tifffile.TiffFile(FRAMES[0]) as first:
        profile = first.pages.first.iccprofile
    odd = folder / "spice_shelf_10.tif"
    tifffile.imwrite(odd, small, photometric="rgb", iccprofile=profile)
    report = check_bracket([folder])
    codes = {f.code: f for f in report.findings if f.severity != "note"}
    assert set(codes) == {"duplicate_frame", "mixed_size"}
    assert codes["duplicate_frame"].frames == (2, 3)
    assert codes["mixed_size"].frames == (10,)
    assert "150 x 100" in codes["mixed_size"].message
    assert report.needs_a_look
    assert [f["belongs"] for f in report.record["frames"]] == [True] * 10 + [False]


def test_a_frame_of_another_profile_is_told(tmp_path):
    folder = folder_of(tmp_path, FRAMES)
    pixels = tifffile.imread(FRAMES[3])
    target = folder / FRAMES[3].name
    tifffile.imwrite(target, pixels, photometric="rgb", metadata=None)
    done = run(folder, "-q")
    assert done.exit_code == 3
    assert "Frame 3 is of another kind: no colour profile instead of" in done.stdout


@pytest.mark.parametrize(
    ("code", "other", "words"),
    [
        ("mixed_depth", lambda p: (p // 257).astype(np.uint8), "8 bit instead of 16"),
        ("mixed_colour", lambda p: p[..., 1], "grey instead of RGB"),
    ],
)
def test_a_frame_of_other_pixels_is_told(tmp_path, code, other, words):
    """One frame was developed otherwise: named, and the others are judged."""
    folder = folder_of(tmp_path, FRAMES[:4])
    target = folder / FRAMES[3].name
    pixels = other(tifffile.imread(target))
    colour = "rgb" if pixels.ndim == 3 else "minisblack"
    tifffile.imwrite(target, pixels, photometric=colour)
    found = {f.code: f for f in check_bracket([folder]).findings}
    assert found[code].frames == (3,)
    assert words in found[code].message
    assert found[code].severity == "look"
    alike = {f.code for f in check_bracket(FRAMES[:3]).findings}
    assert not alike & {"mixed_depth", "mixed_colour", "mixed_profile"}


def test_frames_planned_but_not_there_are_counted(tmp_path):
    report = check_bracket([SAMPLE], settings=CheckSettings(frames=12))
    (short,) = [f for f in report.findings if f.severity != "note"]
    assert short.code == "too_few_frames"
    assert short.action == "Shoot 3 more."
    assert not report.is_complete


def test_bad_input_is_one_line(tmp_path):
    with pytest.raises(BracketError, match="at least two frames"):
        check_bracket([FRAMES[0]])
    broken = tmp_path / "b.tif"
    broken.write_bytes(FRAMES[1].read_bytes()[:5000])
    with pytest.raises(FrameReadError, match=r"b\.tif"):
        check_bracket([FRAMES[0], broken])
    empty = tmp_path / "empty"
    empty.mkdir()
    done = run(empty)
    assert done.exit_code == 1
    assert len(done.stderr.splitlines()) == 1


def test_following_ends_with_the_frame_that_completes_the_bracket(tmp_path):
    folder = tmp_path / "shots"
    folder.mkdir()

    def shoot():
        for frame in FRAMES[4:]:
            half = folder / frame.name
            data = frame.read_bytes()
            half.write_bytes(data[: len(data) // 2])  # a copy under way
            time.sleep(0.05)
            half.write_bytes(data)

    camera = threading.Thread(target=shoot)
    camera.start()
    settings = CheckSettings(look_s=0.1, frames=5)
    counts, last = [], None
    for report in follow_bracket([folder], settings=settings):
        counts.append(len(report.record["frames"]))
        last = report
        if len(counts) > 20 or report.record["frames"][-1]["file"].endswith("09.tif"):
            break
    camera.join()
    assert counts == sorted(set(counts))
    assert counts[-1] == 5
    assert last is not None
    # the near end was never shot
    assert "missing_first_end" in {f.code for f in last.findings}


def test_following_stops_by_itself_when_complete(tmp_path):
    folder = folder_of(tmp_path, FRAMES)
    reports = list(follow_bracket([folder], settings=CheckSettings(look_s=0.05)))
    assert len(reports) == 1
    assert reports[0].is_complete


FOLLOW = """
import signal, sys
from stacker.cli import main
# A test run started in the background of a shell inherits an ignored SIGINT.
signal.signal(signal.SIGINT, signal.default_int_handler)
main(["check", sys.argv[1], "--follow", "--frames", "24", "--page", sys.argv[2]])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_following_that_is_stopped_says_what_is_known(tmp_path):
    """Whoever stops before the plan is shot keeps the verdict and the page."""
    folder, page = folder_of(tmp_path, FRAMES[:4]), tmp_path / "page.html"
    child = subprocess.Popen(
        [sys.executable, "-c", FOLLOW, str(folder), str(page)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "4 frames\n"
    assert "Add frames beyond" in child.stdout.readline()
    child.send_signal(signal.SIGINT)
    _, words = child.communicate(timeout=30)
    assert child.returncode == 130
    assert "Stopped. Of 4 frames: Add frames beyond" in words
    assert "Focus path" in page.read_text("utf-8")


def test_following_goes_on_while_something_lies_far_beyond(monkeypatch):
    far = Finding(code="soft_beyond_last", message="Far.", severity="note")
    monkeypatch.setattr("stacker.checking.inspect_reading", lambda _: (far,))
    assert not check_bracket(FRAMES).is_complete
    planned = CheckSettings(frames=len(FRAMES))
    assert check_bracket(FRAMES, settings=planned).is_complete


@pytest.mark.parametrize("byteorder", ["<", ">"])
@pytest.mark.parametrize(
    ("shape", "how"),
    [
        ((37, 53, 3), {"photometric": "rgb"}),
        ((37, 53, 4), {"photometric": "rgb", "extrasamples": ["unassalpha"]}),
        ((3, 37, 53), {"photometric": "rgb", "planarconfig": "separate"}),
        ((37, 53), {"photometric": "minisblack"}),
        ((37, 53, 3), {"photometric": "rgb", "rowsperstrip": 5}),
        ((37, 53, 3), {"photometric": "rgb", "compression": "zlib"}),
        ((48, 64, 3), {"photometric": "rgb", "tile": (16, 16)}),
    ],
)
def test_a_view_shows_what_decoding_gives(tmp_path, shape, how, byteorder):
    rng = np.random.default_rng(5)
    paths = []
    for k in range(2):
        paths.append(tmp_path / f"f{k}.tif")
        pixels = rng.integers(1, 65535, shape, np.uint16)
        tifffile.imwrite(paths[-1], pixels, byteorder=byteorder, metadata=None, **how)
    source = FileSource(paths)
    np.testing.assert_array_equal(source.view(1), source.read(1))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_view_is_upright(tmp_path, orientation):
    rng = np.random.default_rng(6)
    paths = []
    for k in range(2):
        paths.append(tmp_path / f"f{k}.tif")
        pixels = rng.integers(1, 255, (37, 53, 3), np.uint8)
        tag = [(274, 3, 1, orientation, True)]
        tifffile.imwrite(paths[-1], pixels, photometric="rgb", extratags=tag)
    source = FileSource(paths)
    np.testing.assert_array_equal(source.view(0), source.read(0))


@pytest.mark.parametrize("suffix", ["tif", "jpg"])
def test_a_frame_decoded_into_memory_used_before_is_that_frame(tmp_path, suffix):
    """Memory is used again while checking; no frame may shine through the next."""
    paths = FRAMES[:2]
    if suffix == "jpg":
        paths = [tmp_path / f"{path.stem}.jpg" for path in FRAMES[:2]]
        for frame, path in zip(FRAMES, paths, strict=False):
            eight_bits = (tifffile.imread(frame) // 257).astype(np.uint8)
            path.write_bytes(imagecodecs.jpeg8_encode(eight_bits))
    source = FileSource(paths)
    first = source.view(0)
    place = first.ctypes.data
    del first
    second = source.view(1)
    assert second.ctypes.data == place
    np.testing.assert_array_equal(second, FileSource(paths).read(1))
