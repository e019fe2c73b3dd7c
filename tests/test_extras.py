"""Files beside a master on request: tiles of the whole picture, point cloud, depth in mm."""

import imagecodecs
import numpy as np
import pytest

from stacker.errors import InputError
from stacker.report.cloud import write_cloud
from stacker.report.distances import depth_mm, given_distances
from stacker.report.tiles import TILE_PX, write_tiles
from stacker.settings import OutputSettings
from tests.made import made_result

plyfile = pytest.importorskip(
    "plyfile", reason="the extra test reader plyfile is absent"
)


@pytest.mark.parametrize("shape", [(700, 1101, 3), (1025, 300), (40, 60, 3)])
def test_tiles_put_together_are_the_picture(tmp_path, shape):
    """Every level covers the whole picture; level 0 at full size."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    grey = (0.5 + 0.2 * np.sin(x / 40) + 0.2 * np.cos(y / 31)) * 65535
    picture = np.broadcast_to(grey[..., None], shape) if len(shape) == 3 else grey
    pyramid = write_tiles(tmp_path / "t", picture.astype(np.uint16), None)
    height, width = shape[:2]
    for level in range(pyramid.levels):
        rows, columns = -(-height // TILE_PX), -(-width // TILE_PX)
        tiles = [
            [
                imagecodecs.imread(tmp_path / f"t/{level}/{i}_{j}.jpg")
                for j in range(columns)
            ]
            for i in range(rows)
        ]
        assert len(list((tmp_path / f"t/{level}").iterdir())) == rows * columns
        whole = np.block([[t[..., 1] for t in row] for row in tiles])
        assert whole.shape == (height, width)
        step = 2**level
        places = np.arange(height) * step + (step - 1) / 2
        across = np.arange(width) * step + (step - 1) / 2
        expected = 255 * (
            0.5 + 0.2 * np.sin(across / 40)[None] + 0.2 * np.cos(places / 31)[:, None]
        )
        assert np.abs(whole - expected)[: height - 1, : width - 1].max() < 6  # JPEG
        height, width = -(-height // 2), -(-width // 2)
    assert max(height, width) <= TILE_PX


def cloud_of(tmp_path, result, **options):
    plyfile = pytest.importorskip(
        "plyfile", reason="plyfile, the other reader, is absent"
    )
    write_cloud(tmp_path / "c.ply", result, None, **options)
    data = plyfile.PlyData.read(tmp_path / "c.ply")
    return data, data["vertex"].data


def test_cloud_in_mm_is_read_by_another_reader(tmp_path):
    result = made_result(5, (48, 67))
    result.confidence[:10] = 0
    data, points = cloud_of(
        tmp_path, result, distances_mm=[300, 320, 350, 390, 440], pixel_mm=0.05
    )
    assert not data.text
    assert data.byte_order == "<"
    assert data.comments == ["x, y, z in mm"]
    assert len(points) == 38 * 67  # nothing where the depth is a guess
    assert np.ptp(points["x"]) == pytest.approx(66 * 0.05, rel=1e-5)
    assert points["y"].max() == pytest.approx((47 / 2 - 10) * 0.05, rel=1e-5)
    assert points["z"].max() == pytest.approx(0, abs=1e-3)  # nearest
    assert points["z"].min() == pytest.approx(-140, abs=1e-3)
    left = points[points["x"] == points["x"].min()]
    assert left["z"].min() == pytest.approx(0, abs=1e-3)
    assert (left["green"] == 0).all()  # colour of the picture there
    right = points[points["x"] == points["x"].max()]
    assert (right["green"] == 255).all()


def test_cloud_without_distances_is_in_pixels_and_says_so(tmp_path):
    data, points = cloud_of(tmp_path, made_result(5, (48, 67)))
    assert data.comments[0].startswith("x, y in pixels, z in frames times")
    assert np.ptp(points["x"]) == 66
    assert np.ptp(points["z"]) == pytest.approx(67 / 3, rel=1e-4)


def test_clouds_of_large_pictures_are_thinned(tmp_path, monkeypatch):
    from stacker.report import cloud

    monkeypatch.setattr(cloud, "MAX_POINTS", 1000)
    _, points = cloud_of(tmp_path, made_result(3, (211, 307)))
    assert 500 < len(points) <= 1000
    assert np.ptp(points["x"]) > 290


def test_distances_run_in_equal_steps_of_their_reciprocal():
    near_first = given_distances(OutputSettings(near_mm=300, far_mm=600), 4)
    assert near_first is not None
    np.testing.assert_allclose(np.diff(1 / np.array(near_first)), -1 / 1800, rtol=1e-4)
    far_first = given_distances(
        OutputSettings(near_mm=300, far_mm=600, far_first=True), 4
    )
    assert far_first == near_first[::-1]
    assert given_distances(OutputSettings(), 4) is None
    with pytest.raises(InputError, match="far_mm is None"):
        OutputSettings(near_mm=300)
    with pytest.raises(InputError, match="near_mm is 600"):
        OutputSettings(near_mm=600, far_mm=300)
    with pytest.raises(InputError, match="expected positive numbers"):
        depth_mm(np.zeros(3, np.float32), [300, 0])
