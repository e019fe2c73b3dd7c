"""The scripts in examples/, run as a reader of the README would run them."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

import stacker

ROOT = Path(__file__).parents[1]
# A peppercorn in the middle of the sample, beside a tile: sharp in one frame.
X, Y = 385, 300


def run(name, *args):
    done = subprocess.run(
        [sys.executable, str(ROOT / "examples" / name), *map(str, args)],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},  # also where it is not installed
    )
    assert done.stderr == ""
    return done.stdout


def test_background_is_darkened_by_depth(shelf, tmp_path):
    out = tmp_path / "darker.tif"
    run("darken_background.py", shelf, out, "--behind", 330, "--softness", 30)
    before, after = tifffile.imread(shelf).astype(float), tifffile.imread(out)
    away = stacker.open_result(shelf).depth_mm()
    np.testing.assert_array_equal(after[away < 330], before[away < 330])
    ratio = after[away > 361] / np.maximum(before[away > 361], 1)
    assert np.median(ratio) == pytest.approx(0.5, abs=0.01)
    with tifffile.TiffFile(out) as tif, tifffile.TiffFile(shelf) as master:
        assert tif.pages.first.tags[34675].value == master.pages.first.tags[34675].value


def test_sharpest_frame_is_the_one_that_the_depth_map_names(shelf):
    told = run("sharpest_frame.py", shelf, X, Y)
    (line,) = [words for words in told.splitlines() if "sharpest" in words]
    depth = stacker.open_result(shelf).depth()[Y - 24 : Y + 24, X - 24 : X + 24]
    assert abs(int(line.split()[0]) - float(np.median(depth))) < 1.2
    assert len(told.splitlines()) == 9 + 1


def test_region_is_replaced_and_comes_back(shelf):
    before = tifffile.imread(shelf)
    args = ("--frame", 0, "--at", f"{X},{Y}", "--radius", 40)
    assert run("replace_region.py", shelf, *args).endswith("1 patches\n")
    patched = tifffile.imread(shelf)
    frame = stacker.open_result(shelf).aligned_frame(0)
    far = np.abs(patched[Y, X].astype(float) - frame[Y, X]).max()
    assert far < np.abs(before[Y, X].astype(float) - frame[Y, X]).max()
    assert run("replace_region.py", shelf, "--undo") == "0 patches\n"
    np.testing.assert_array_equal(tifffile.imread(shelf), before)
