"""From what the user names to the frames of a bracket."""

import numpy as np
import pytest
import tifffile

from stacker.errors import BracketError, FrameReadError
from stacker.files import find_frames

RNG = np.random.default_rng(5)


def write_frame(path, *, time=None):
    pixels = RNG.integers(0, 65535, (7, 13), dtype=np.uint16)
    tags = [(306, 2, 20, time, True)] if time else []
    tifffile.imwrite(path, pixels, photometric="minisblack", extratags=tags)
    return path


@pytest.fixture
def folder(tmp_path):
    for name in ("f10.tif", "f9.tif", "f1.TIF"):
        write_frame(tmp_path / name)
    return tmp_path


def names(paths):
    return [p.name for p in paths]


def test_a_folder_is_taken_in_natural_order(folder):
    assert names(find_frames([folder])) == ["f1.TIF", "f9.tif", "f10.tif"]


def test_a_pattern_is_taken_in_natural_order(folder):
    assert names(find_frames([folder / "f?*.tif"])) == ["f9.tif", "f10.tif"]


def test_files_are_taken_as_named(folder):
    given = [folder / "f10.tif", folder / "f1.TIF"]
    assert find_frames(given) == given


def test_a_relative_folder_stays_relative(folder, monkeypatch):
    monkeypatch.chdir(folder.parent)
    found = find_frames([folder.name])
    assert not found[0].is_absolute()


def test_what_is_no_frame_is_passed_over(folder):
    (folder / "notes.txt").write_text("x")
    (folder / "sub.tif").mkdir()
    for name in ("._f1.tif", ".f2.tif", "~$f3.tif", "f4.tif.part", "f5.tif.tmp"):
        (folder / name).write_bytes(b"x")
    assert len(find_frames([folder])) == 3


def test_results_of_an_earlier_fusion_are_no_frames(folder):
    for name in ("out.tif", "out.depth.tif", "out.confidence.tif", "out.coverage.tif"):
        write_frame(folder / name)
    (folder / "out.report.json").write_text("{}")
    assert names(find_frames([folder])) == ["f1.TIF", "f9.tif", "f10.tif"]


def test_a_name_with_brackets_is_a_file_before_it_is_a_pattern(tmp_path):
    frames = [write_frame(tmp_path / f"a[{i}].tif") for i in (1, 2)]
    assert find_frames(frames) == frames


def test_order_of_capture(tmp_path):
    one = write_frame(tmp_path / "a.tif", time="2026:05:01 10:00:02")
    two = write_frame(tmp_path / "b.tif", time="2026:05:01 10:00:01")
    assert find_frames([tmp_path], order="captured") == [two, one]
    assert find_frames([one, two], order="captured") == [two, one]


def test_nothing_found(tmp_path):
    with pytest.raises(BracketError, match="no frames found"):
        find_frames([tmp_path])
    with pytest.raises(BracketError, match="no frames found"):
        find_frames([tmp_path / "*.tif"])
    with pytest.raises(BracketError, match="no frames found"):
        find_frames([])


def test_one_frame_is_no_bracket(tmp_path):
    path = write_frame(tmp_path / "a.tif")
    with pytest.raises(BracketError, match="at least two frames") as caught:
        find_frames([tmp_path])
    assert caught.value.names == (str(path),)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(FrameReadError, match=r"gone\.tif: no such file or folder"):
        find_frames([tmp_path / "gone.tif"])


def test_the_same_file_twice(folder):
    with pytest.raises(BracketError, match="the same file as"):
        find_frames([folder / "f9.tif", folder / "f1.TIF", folder / "f9.tif"])
    (folder / "link.tif").symlink_to(folder / "f9.tif")
    with pytest.raises(BracketError, match="the same file as"):
        find_frames([folder])


def test_two_copies_of_one_file_are_both_named(folder):
    (folder / "f11.tif").write_bytes((folder / "f9.tif").read_bytes())
    with pytest.raises(BracketError, match="byte for byte") as caught:
        find_frames([folder])
    assert names(map(type(folder), caught.value.names)) == ["f9.tif", "f11.tif"]


def test_frames_that_differ_in_one_byte_are_no_copies(tmp_path):
    # One byte, far from any probe: only the comparison of everything sees it.
    pixels = np.full((400, 300), 1000, dtype=np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", pixels)
    pixels[200, 37] += 1
    tifffile.imwrite(tmp_path / "b.tif", pixels)
    assert len(find_frames([tmp_path])) == 2


def test_several_formats_in_one_folder(folder):
    (folder / "f1.jpg").write_bytes(b"\xff\xd8\xff")
    with pytest.raises(BracketError, match=r"several formats .*f1\.jpg"):
        find_frames([folder])
