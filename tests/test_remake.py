"""A picture made again from its report."""

import json
import shutil

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

import stacker
from stacker.cli import main
from stacker.errors import FrameReadError
from stacker.settings import AlignSettings, FuseSettings, OutputSettings
from tests.results import N_FRAMES, SHAPE, bracket

SETTINGS = FuseSettings(align=AlignSettings(enabled=False, reference="last"))


@pytest.fixture(scope="module")
def fused(tmp_path_factory):
    """A real fusion of a few frames, its settings not the usual ones."""
    folder = tmp_path_factory.mktemp("fused")
    bracket(folder / "shots")
    outputs = OutputSettings(compression="lzw", near_mm=200, far_mm=300, preview=True)
    stacker.fuse_bracket(
        [folder / "shots"], folder / "a.tif", SETTINGS, outputs=outputs
    )
    return folder


def record_of(path):
    return json.loads(
        path.with_suffix("").with_suffix(".report.json").read_text("utf-8")
    )


def test_same_pixels_same_settings(fused, tmp_path):
    report = stacker.fuse_from_report(fused / "a.report.json", tmp_path / "b.tif")
    for suffix in (".tif", ".depth.tif", ".confidence.tif", ".coverage.tif"):
        np.testing.assert_array_equal(
            tifffile.imread(tmp_path / f"b{suffix}"),
            tifffile.imread(fused / f"a{suffix}"),
        )
    old = record_of(fused / "a.tif")
    assert report.record["settings"] == old["settings"]
    assert report.record["settings_digest"] == old["settings_digest"]
    assert report.record["inputs"] == old["inputs"]
    assert (tmp_path / "b.preview.jpg").exists()


def test_checksums_are_those_of_the_files(fused):
    import hashlib

    for entry in record_of(fused / "a.tif")["inputs"]["frames"]:
        data = (fused / "shots" / entry["file"].rsplit("/", 1)[1]).read_bytes()
        assert entry["sha256"] == hashlib.sha256(data).hexdigest()


def test_another_file_of_the_same_name_is_refused(fused, tmp_path):
    moved = tmp_path / "moved"
    shutil.copytree(fused, moved)
    pixels = tifffile.imread(moved / "shots" / "shot_02.tif")
    pixels[0, 0] ^= 1
    tifffile.imwrite(moved / "shots" / "shot_02.tif", pixels, photometric="rgb")
    with pytest.raises(FrameReadError, match=r"shot_02\.tif: is not the file that was"):
        stacker.fuse_from_report(
            moved / "a.report.json", tmp_path / "b.tif", frames_in=moved / "shots"
        )
    assert not (tmp_path / "b.tif").exists()


def test_patches_are_laid_over_the_new_picture(fused, tmp_path):
    own = tmp_path / "own"
    shutil.copytree(fused, own)
    stacker.patch(own / "a.tif", frame=1, region="20,30,60,50")
    stacker.patch(own / "a.tif", frame=3, region="50,50,60,50")
    report = stacker.fuse_from_report(own / "a.tif", tmp_path / "b.tif")
    np.testing.assert_array_equal(
        tifffile.imread(tmp_path / "b.tif"), tifffile.imread(own / "a.tif")
    )
    assert [p["frame"] for p in report.record["patches"]] == [1, 3]
    assert tmp_path / "b.patch-2.tif" in report.files


def test_in_its_own_place_patches_included(fused, tmp_path):
    """Overwriting must not lose the patches that are kept beside the old master."""
    own = tmp_path / "own"
    shutil.copytree(fused, own)
    stacker.patch(own / "a.tif", frame=1, region="20,30,60,50")
    before = tifffile.imread(own / "a.tif")
    args = ["fuse", "--from-report", str(own / "a.report.json"), "-q", "--overwrite"]
    done = CliRunner().invoke(main, [*args, "-o", str(own / "a.tif")])
    assert done.exit_code == 0, done.output
    np.testing.assert_array_equal(tifffile.imread(own / "a.tif"), before)
    stacker.undo_patch(own / "a.tif")
    np.testing.assert_array_equal(
        tifffile.imread(own / "a.tif"), tifffile.imread(fused / "a.tif")
    )


def test_options_go_before_the_report(fused, tmp_path):
    args = ["fuse", "--from-report", str(fused / "a.report.json"), "-q", "--handoff"]
    done = CliRunner().invoke(
        main, [*args, "-o", str(tmp_path / "b.tif"), "--bits", "8", "--reference", "0"]
    )
    assert done.exit_code == 0, done.output
    assert tifffile.imread(tmp_path / "b.tif").dtype == np.uint8
    used = record_of(tmp_path / "b.tif")["settings"]
    assert used["align"]["reference"] == 0
    assert used["align"]["enabled"] is False
    assert used["output"]["compression"] == "lzw"
    assert used["output"]["near_mm"] == 200
    frames = sorted((tmp_path / "b.handoff" / "frames").iterdir())
    assert len(frames) == N_FRAMES
    assert tifffile.imread(frames[0]).shape == (*SHAPE, 3)
    again = CliRunner().invoke(main, [*args, "-o", str(tmp_path / "b.tif")])
    assert again.exit_code == 1
    assert "b.handoff: exists already" in again.output


@pytest.mark.parametrize("words", [[], ["x.tif", "--from-report", "y.report.json"]])
def test_frames_or_a_report(words, tmp_path):
    done = CliRunner().invoke(main, ["fuse", *words, "-o", str(tmp_path / "z.tif")])
    assert done.exit_code == 2
