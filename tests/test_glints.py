"""Depth of small highlights that are cut off at white, from what lies around them."""

import numpy as np
import pytest

from stacker.arrays.passes import ArrayPasses
from stacker.depth import FocusMaps
from stacker.glints import settle_glints
from stacker.passes import HostPasses

SHAPE = (90, 131)
GLINT = np.s_[40:46, 60:67]


def maps_with(spoilt_by, *, certainty=1.0, slope=0.0):
    """A plane at frame 3, with a rim of wrong depth round a glint."""
    x = np.arange(SHAPE[1], dtype=np.float32)
    index = np.broadcast_to(3 + slope * (x - 63), SHAPE).astype(np.float32)
    plane = index.copy()
    index[38:48, 58:69] += spoilt_by
    sure = np.full(SHAPE, certainty, np.float32)
    return FocusMaps(index=index, fill=index.copy(), certainty=sure), plane


@pytest.fixture
def white():
    out = np.zeros(SHAPE, np.uint8)
    out[GLINT] = 1
    return out


def test_a_glint_has_the_depth_of_what_is_around(white):
    maps, plane = maps_with(4.0, slope=0.02)
    assert settle_glints(maps, white) == 1
    np.testing.assert_allclose(maps.index, plane, atol=0.15)
    np.testing.assert_allclose(maps.fill, plane, atol=0.15)
    assert (maps.certainty > 0.99).all()


def left_alone(maps, white):
    before = maps.index.copy()
    assert settle_glints(maps, white) == 0
    np.testing.assert_array_equal(maps.index, before)


def test_a_glint_that_agrees_is_left_alone(white):
    left_alone(maps_with(0.4)[0], white)


def test_so_is_one_where_nothing_is_known_around(white):
    left_alone(maps_with(4.0, certainty=0.5)[0], white)


def test_and_one_on_the_edge_of_something_nearer(white):
    maps, _ = maps_with(4.0)
    maps.index[:, :63] -= 3
    left_alone(maps, white)


def test_and_a_white_surface():
    maps, _ = maps_with(4.0)
    white = np.zeros(SHAPE, np.uint8)
    white[5:80, 10:120] = 1
    left_alone(maps, white)


def test_white_is_noted_and_found_again_elsewhere():
    move = np.array([[1.01, 0.01, -2.3], [-0.01, 1.01, 1.7], [0, 0, 1.0]])
    found = []
    for passes in (HostPasses(2), ArrayPasses(np)):
        seen = passes.seen(SHAPE)
        for seed in (1, 2):
            luma = np.random.default_rng(seed).uniform(0, 0.9, SHAPE)
            luma[20 * seed : 20 * seed + 5, 30:40] = 1.0
            light = luma.astype(np.float32)
            passes.taken_in(light.copy(), light, 1.0, np.eye(3), seen)
        assert seen.is_white.sum() == 2 * 5 * 10
        found.append(passes.white_at(seen.is_white, move, SHAPE))
    assert found[0].dtype == found[1].dtype == np.uint8
    assert (found[0] != found[1]).mean() < 1e-3
    assert 100 <= found[0].sum() <= 2 * 7 * 12
