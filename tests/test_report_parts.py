"""What the page is made from: places, notes taken on the way, charts, pictures."""

import hashlib
from dataclasses import replace

import numpy as np
import pytest

from stacker.frame import ArraySource, Box, Finding, FrameRecord
from stacker.light import srgb_transfer
from stacker.report.bystander import (
    Bystander,
    Sharpness,
    aligned_preview,
    detail_by_tile,
    sharpness_gain,
)
from stacker.report.charts import line_charts, smooth_path
from stacker.report.images import embedded_frames, page_images, srgb_preview
from stacker.report.page import frames_of_page, render_page
from stacker.report.places import worst_places
from stacker.report.record import build_record
from stacker.resample import AlignedFrames
from tests.made import made_facts, made_result

SHAPE = (600, 800)


def calm(n_frames=9):
    """A result in which nothing is worth a look: one smooth slope, all certain."""
    result = made_result(n_frames, SHAPE)
    result.confidence[:] = 255
    np.clip(result.depth, 2000, 63000, out=result.depth)
    result.picture[:] = 30000
    return result


def kinds(result, findings=()):
    return [p.kind for p in worst_places(result, findings)]


# Places -----------------------------------------------------------------------------


def test_a_calm_picture_has_no_places():
    assert kinds(calm()) == []


def test_each_kind_is_found_where_it_is():
    result = calm()
    result.depth[200:400, 300:] = 2500  # steps along its edges
    result.confidence[450:560, 30:160] = 0
    result.picture[450:560:2, 30:160] = 50000  # texture there
    result.picture[60:110, 600:680] = 65535
    result.depth[20:120, 20:120] = 0
    result.depth[460:580, 640:780] = 65535
    found = worst_places(result)
    at = {p.kind: p for p in found}
    assert set(at) == {"step", "uncertain", "clipped", "before", "beyond"}

    def holds(box, row, column):
        return (
            box.row <= row < box.row + box.height
            and box.column <= column < box.column + box.width
        )

    assert holds(at["uncertain"].box, 500, 90)
    assert holds(at["clipped"].box, 85, 640)
    assert holds(at["before"].box, 70, 70)
    assert holds(at["beyond"].box, 520, 710)
    assert "frames" in at["step"].message or "frame" in at["step"].message


def test_noise_is_no_texture_and_flat_places_may_be_uncertain():
    result = calm()
    result.confidence[300:, 400:] = 0
    noise = np.random.default_rng(1).normal(0, 150, SHAPE)
    result.picture[:] = (30000 + noise)[..., None]
    assert "uncertain" not in kinds(result)


def test_findings_come_first_in_their_order():
    findings = [
        Finding(
            code="a", message="First.", region=Box(row=5, column=6, height=9, width=9)
        ),
        Finding(code="b", message="Nowhere."),
        Finding(
            code="c",
            message="Third.",
            region=Box(row=500, column=700, height=50, width=60),
        ),
    ]
    places = worst_places(calm(), findings)
    assert [(p.message, p.finding) for p in places] == [("First.", 0), ("Third.", 2)]
    for place in places:
        assert place.box.row + place.box.height <= SHAPE[0]
        assert place.box.column + place.box.width <= SHAPE[1]


def test_places_are_few_and_apart():
    result = calm()
    result.confidence[:] = 0
    result.picture[::2] = 60000
    places = worst_places(result)
    assert 1 <= len(places) <= 3
    boxes = [(p.box.row, p.box.column) for p in places]
    assert len(set(boxes)) == len(boxes)


# Notes taken while frames pass by -----------------------------------------------------


def test_bystander_hands_frames_on_and_notes_them(tmp_path):
    rng = np.random.default_rng(2)
    frames = [rng.integers(0, 65536, (300, 2100, 3), np.uint16) for _ in range(2)]
    files = [tmp_path / "a", tmp_path / "b"]
    for file in files:
        file.write_bytes(file.name.encode() * 1000)
    watch = Bystander(ArraySource(frames), files)
    assert watch.read(1) is not None
    np.testing.assert_array_equal(watch.read(0), frames[0])
    np.testing.assert_array_equal(watch.read(0), frames[0])
    assert watch.small[0].shape == (128, 896, 3)
    assert watch.small[0].dtype == np.uint8
    assert watch.small[0].mean() == pytest.approx(frames[0].mean() / 257, rel=0.01)
    assert watch.checksums() == tuple(
        hashlib.sha256(f.read_bytes()).hexdigest() for f in files
    )
    watch.close()


def test_bystander_without_files_takes_no_checksums(tmp_path):
    frames = [np.zeros((30, 40), np.uint8)] * 2
    watch = Bystander(ArraySource(frames))
    watch.read(0)
    assert watch.checksums() == (None, None)
    gone = Bystander(ArraySource(frames), [tmp_path / "no", tmp_path / "no"])
    gone.read(0)
    assert gone.checksums() == (None, None)


def test_gain_of_sharpness_is_that_of_the_parts():
    """Each frame sharp in half the picture: fused holds twice what either shows."""
    rng = np.random.default_rng(4)
    texture = rng.integers(20000, 40000, (256, 512)).astype(np.uint16)
    noise = rng.normal(0, 50, (2, 256, 512))
    flat = np.full_like(texture, 30000)
    left, right = flat + noise[0], flat + noise[1]
    left[:, :256], right[:, 256:] = texture[:, :256], texture[:, 256:]
    detail = {
        k: detail_by_tile(f.astype(np.uint16)) for k, f in enumerate((left, right))
    }
    found = sharpness_gain(detail, detail_by_tile(texture), 3)
    assert found is not None
    assert found.gain == pytest.approx(2, rel=0.05)
    assert found.frames[2] == 0
    assert sum(found.frames) == pytest.approx(1, rel=0.02)


def test_nothing_to_compare_is_said():
    flat = detail_by_tile(np.full((100, 100), 7, np.uint8))
    assert sharpness_gain({0: flat, 1: flat}, flat, 2) is None
    assert sharpness_gain({0: flat}, flat, 2) is None


def test_small_frames_lie_where_the_master_has_them():
    y, x = np.mgrid[:300, :400]
    full = np.where((abs(x - 200) < 30) & (abs(y - 150) < 30), 60000, 5000)
    frame = FrameRecord(
        transform=np.array([[1.0, 0, 80], [0, 1, -40], [0, 0, 1]]),
        correlation=1,
        gain_ev=(0.0,),
        share=0.5,
    )
    source = ArraySource([full.astype(np.uint16)] * 2)
    aligned = AlignedFrames(source, [frame, frame], srgb_transfer(1))
    small = full[::4, ::4].astype(np.uint16)
    out = aligned_preview(small, frame, aligned.curves(0), (300, 400))
    rows, columns = np.nonzero(out > 30000)
    assert rows.mean() * 4 == pytest.approx(110, abs=3)
    assert columns.mean() * 4 == pytest.approx(280, abs=3)


# Pictures ---------------------------------------------------------------------------


def test_page_stays_below_8_mb_whatever_it_shows():
    """Noise does not compress: 60 frames of it, in picture, maps and crops."""
    n = 60
    rng = np.random.default_rng(5)
    result = made_result(n, (1536, 2048))
    result.picture[:] = rng.integers(0, 65536, result.picture.shape)
    result.depth[:] = rng.integers(0, 65536, result.depth.shape)
    result.confidence[:] = rng.integers(0, 256, result.confidence.shape)
    result.coverage[:] = rng.integers(0, n, result.coverage.shape)
    small = {
        k: rng.integers(0, 65536, (768, 1024, 3)).astype(np.uint16) for k in range(2)
    }
    small |= {k: small[k % 2] for k in range(2, n)}
    source = ArraySource([result.picture] * n)
    aligned = AlignedFrames(source, result.frames, srgb_transfer(3))
    facts = made_facts(result)

    def shown(k, box):
        rows = slice(box.row, box.row + box.height)
        return result.picture[rows, box.column : box.column + box.width]

    images = page_images(
        result,
        srgb_preview(result.picture, None),
        frames=embedded_frames(small, aligned, None),
        places=facts.places,
        aligned=shown,
    )
    page = render_page(build_record(facts), images)
    assert len(page.encode()) < 8_000_000
    assert len(facts.places) >= 5
    back = frames_of_page(page, n)
    assert back == images.frames


def test_pages_without_small_frames_are_understood():
    result = made_result()
    images = page_images(result, srgb_preview(result.picture, None))
    page = render_page(build_record(made_facts(result)), images)
    assert frames_of_page(page, 5) == (None,) * 5


# Charts -----------------------------------------------------------------------------


def test_smooth_path_passes_by_an_outlier():
    frames = range(12)
    true = np.array([0.3 * k - 0.01 * k * k for k in frames])
    values = true.copy()
    values[4] += 5
    path = smooth_path(frames, values)
    assert path is not None
    np.testing.assert_allclose(path, true, atol=1e-6)
    assert smooth_path(range(4), values[:4]) is None


def test_charts_tell_what_the_record_holds():
    result = made_result(9)
    frames = tuple(
        replace(
            f,
            transform=np.array(
                [[1 + 0.002 * k, 0, 0], [0, 1 + 0.002 * k, 0], [0, 0, 1.0]]
            ),
            gain_ev=(0.1 * k, 0.0, -0.1 * k),
        )
        for k, f in enumerate(result.frames)
    )
    facts = made_facts(
        replace(result, frames=frames),
        distances=[300.0 + 10 * k for k in range(9)],
        sharpness=Sharpness((0.2,) * 8 + (0.5,)),
    )
    charts = {c.title: c for c in line_charts(build_record(facts))}
    assert list(charts) == [
        "Shift against the reference",
        "Scale against the reference",
        "Light added",
        "Focus distance",
        "Fine detail of each frame alone",
    ]
    light = charts["Light added"]
    assert [s.name for s in light.series] == ["red", "green", "blue"]
    assert light.series[0].marks[8].words == "Frame 8, red: +0.80 EV"
    assert len({s.legend for s in light.series}) == 3  # told apart without colour
    assert (
        "Frame 8, scale: +1.60 %"
        in charts["Scale against the reference"].series[0].marks[8].words
    )
    assert (
        "2.0 times the detail of the best single frame, 8"
        in charts["Fine detail of each frame alone"].note
    )
    for chart in charts.values():
        heights = [y for y, _ in chart.rows]
        assert heights == sorted(heights, reverse=True)
        assert len(chart.rows) >= 2
        for series in chart.series:
            for mark in series.marks:
                x, y = (float(v) for v in mark.outline[1:].split("m")[0].split(","))
                assert chart.left <= x <= chart.width
                assert 0 <= y <= chart.floor + 0.1
