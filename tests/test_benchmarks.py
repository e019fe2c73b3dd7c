"""Every benchmark script runs from its command line and answers with sensible figures."""

import json
import sys

import cv2
import numpy as np
import pytest
import tifffile

from benchmarks import bigframes, plain, quality, scenes, speed
from benchmarks.bigframes import frame_size, known_transforms, write_frames
from benchmarks.sheet import contact_sheet, worst_place
from benchmarks.speed import Run, fit_plane


def test_quality_quick(tmp_path, capsys):
    record, sheet = tmp_path / "quality.json", tmp_path / "sheet.png"
    quality.main(["--quick", "--json", str(record), "--sheet", str(sheet)])
    figures = json.loads(record.read_text())["figures"]["wires"]
    methods = ("merge_mertens", "pyramid_selection", "argmax_blend", "upper_reference")
    assert list(figures) == ["ours", *methods]
    assert figures["upper_reference"]["psnr_all"] > figures["argmax_blend"]["psnr_all"]
    assert figures["ours"]["psnr_all"] > figures["merge_mertens"]["psnr_all"]
    # crossing structures of different depth: what is sharp is kept, what is near too
    assert figures["ours"]["psnr_edge"] > figures["argmax_blend"]["psnr_edge"] + 0.5
    assert (
        figures["ours"]["psnr_edge"] > figures["pyramid_selection"]["psnr_edge"] - 0.5
    )
    assert "align_px" in figures["ours"]
    out = capsys.readouterr().out
    assert "merge_mertens" in out
    picture = cv2.imread(str(sheet))
    assert picture is not None
    # a column for the truth and each of five methods, a row for each method
    assert picture.shape[1] >= 6 * 144
    assert picture.shape[0] >= 5 * 96


def test_speed_quick(tmp_path):
    record = tmp_path / "speed.json"
    speed.main(["--quick", "--json", str(record)])
    told = json.loads(record.read_text())
    assert [r["method"] for r in told["runs"]] == ["ours", "pyramid", "mertens"]
    for run in told["runs"]:
        assert run["wall_s"] > 0
        assert run["peak_bytes"] > 10_000_000  # no Python with numpy is smaller
        assert run["stages_s"]
    assert len(told["ratios"]) == 2


def test_scenes_and_bigframes_command_lines(tmp_path, monkeypatch):
    folder = tmp_path / "wires"
    monkeypatch.setattr(
        sys, "argv", ["scenes", "wires", str(folder), "--scale", "0.05"]
    )
    scenes.main()
    assert (folder / "meta.json").exists()
    folder = tmp_path / "big"
    argv = ["bigframes", str(folder), "--megapixels", "0.05", "--frames", "2"]
    monkeypatch.setattr(sys, "argv", argv)
    bigframes.main()
    assert len(list(folder.glob("*.tif"))) == 2


@pytest.mark.parametrize("method", ["pyramid", "mertens"])
def test_plain_methods_sharpen_the_big_frames(method, tmp_path):
    paths = write_frames(tmp_path / "frames", 0.2, 3)
    out = tmp_path / "out.tif"
    seconds = plain.fuse(method, paths, out)
    assert set(seconds) == {"decode", "align", "warp", "fuse", "encode"}
    inside = (slice(40, -40), slice(40, -40))

    def detail(path):
        luma = tifffile.imread(path)[..., 1].astype(np.float32)
        smooth = cv2.GaussianBlur(luma, (0, 0), 1.5)  # below the frames' noise
        return cv2.Laplacian(smooth, cv2.CV_32F)[inside].var()

    assert detail(out) > 1.2 * min(detail(p) for p in paths)


def test_big_frames_have_the_geometry_they_claim(tmp_path):
    paths = write_frames(tmp_path, 0.3, 2)
    w, h = frame_size(0.3)
    assert abs(w * h / 1e6 - 0.3) < 0.01
    first, last = (tifffile.imread(p)[..., 1].astype(np.float32) for p in paths)
    assert first.shape == (h, w)
    to_scene = known_transforms((w, h), 2)
    step = np.linalg.inv(to_scene[0]) @ to_scene[1]
    moved = cv2.warpPerspective(last, step, (w, h), borderMode=cv2.BORDER_REFLECT)
    inside = (slice(h // 3, -h // 3), slice(40, -40))
    blur = (0, 0), 3.0
    a, b, c = (cv2.GaussianBlur(p, *blur)[inside] for p in (first, moved, last))
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.98
    assert np.corrcoef(a.ravel(), c.ravel())[0, 1] < 0.95


def test_fit_finds_a_straight_line_and_a_step_off_it():
    def run(mp, n, wall):
        return Run(
            method="ours", megapixels=mp, frames=n, wall_s=wall, cpu_s=0, peak_bytes=1
        )

    grid = [(mp, n) for mp in (6, 24, 60, 100) for n in (5, 10, 20)]
    straight = [run(mp, n, 0.5 + 0.1 * n + 0.01 * mp * n) for mp, n in grid]
    fit = fit_plane(straight)
    assert fit["start_s"] == pytest.approx(0.5)
    assert fit["s_per_frame"] == pytest.approx(0.1)
    assert fit["s_per_megapixel_and_frame"] == pytest.approx(0.01)
    assert fit["worst_distance"] < 1e-9
    bent = [*straight, run(24, 10, 2 * straight[4].wall_s)]
    assert fit_plane(bent)["worst_distance"] > 0.15


def test_sheet_shows_each_methods_own_worst_place():
    truth = np.full((240, 330, 3), 0.5, np.float32)
    inside = np.ones((240, 330), bool)
    spots = {"a": (60, 80), "b": (180, 250)}
    pictures = {}
    for name, (r, c) in spots.items():
        pictures[name] = truth.copy()
        pictures[name][r - 3 : r + 3, c - 3 : c + 3] = 1.0
        found = worst_place(pictures[name], truth, inside, [])
        assert np.hypot(found[0] - r, found[1] - c) < 3
    sheet = contact_sheet("boards", pictures, truth, inside)
    assert sheet.dtype == np.uint8
    # rows of the sheet: heading, then label and crops for each method
    first_row, second_row = sheet[36:132], sheet[150:246]
    bright = [[(part == 255).all(-1).sum() for part in (row[:, 150:294], row[:, 300:444])]
              for row in (first_row, second_row)]  # fmt: skip
    assert bright[0][0] > 100 > bright[0][1]
    assert bright[1][1] > 100 > bright[1][0]
