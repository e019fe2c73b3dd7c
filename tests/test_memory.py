"""The memory limit: planned before the work, kept, and without a trace in the picture."""

from itertools import pairwise

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from stacker.align import REGISTRATION_PIXELS, reduce_frame
from stacker.cli import main
from stacker.compute import fuse_source
from stacker.errors import InputError
from stacker.frame import ArraySource
from stacker.geometry import half_shape
from stacker.light import srgb_transfer
from stacker.memory import GIB, SMALL_BYTES, plan_memory
from stacker.settings import FuseSettings

# 100 megapixels, RGB, 16 bits.
LARGE = (8742, 11656, 3)


class CountingSource(ArraySource):
    """Frames in memory that count what is read of them."""

    def __init__(self, frames):
        super().__init__(frames)
        self.whole, self.parts = [], []

    def read(self, number):
        self.whole.append(number)
        return super().read(number)

    def read_window(self, number, box):
        self.parts.append((number, box))
        return super().read_window(number, box)


def few_frames(sample):
    return sample.frames[2:6]


def fused(frames, limit_gib):
    source = CountingSource(frames)
    return source, fuse_source(source, FuseSettings(memory_gib=limit_gib))


def narrow_limit(frames):
    """The least limit that a plan can be made for."""
    shape, itemsize = frames[0].shape, frames[0].itemsize
    steps = np.linspace(0.4, 1.0, 601)

    def fits(limit):
        try:
            return plan_memory(shape, itemsize, len(frames), limit_gib=limit)
        except InputError:
            return None

    return next(float(s) for s in steps if fits(s))


@pytest.mark.parametrize("n_frames", [2, 30, 60])
@pytest.mark.parametrize("limit_gib", [3, 4, 8, 16])
def test_a_plan_stays_within_its_limit(limit_gib, n_frames):
    plan = plan_memory(LARGE, 2, n_frames, limit_gib=limit_gib)
    assert plan.peak_bytes <= limit_gib * GIB
    assert 0 <= plan.n_kept <= n_frames


def test_more_memory_is_put_to_use():
    plans = [plan_memory(LARGE, 2, 30, limit_gib=limit) for limit in (3, 4, 8, 16, 64)]
    for less, more in pairwise(plans):
        assert more.is_ahead >= less.is_ahead
        assert more.n_bands <= less.n_bands
        assert more.n_kept >= less.n_kept
    assert plans[-1].is_ahead
    assert plans[-1].n_bands == 1
    assert plans[-1].n_kept == 30  # nothing is decoded twice


def test_without_a_limit_memory_hardly_grows_with_frames():
    few, many = (plan_memory(LARGE, 2, n) for n in (5, 60))
    assert many.peak_bytes < 1.15 * few.peak_bytes
    assert many.n_kept == 0


def test_small_pictures_are_made_in_one_piece():
    assert plan_memory((1000, 1500, 3), 2, 14).n_bands == 1
    assert plan_memory((1000, 1500, 3), 2, 14).peak_bytes < SMALL_BYTES


def test_a_limit_changes_how_but_not_what(sample):
    frames = few_frames(sample)
    free, whole = fused(frames, None)
    tight, in_bands = fused(frames, narrow_limit(frames))
    assert tight.parts  # the picture was made in bands
    assert not free.parts
    for name in ("picture", "depth", "confidence", "coverage"):
        np.testing.assert_array_equal(getattr(in_bands, name), getattr(whole, name))


def test_with_memory_enough_no_frame_is_read_twice(sample):
    frames = few_frames(sample)
    free, _ = fused(frames, None)
    ample, _ = fused(frames, 8)
    assert sorted(free.whole) == sorted([*range(4), *range(4)])
    assert sorted(ample.whole) == list(range(4))


def test_a_limit_that_cannot_be_kept_is_said_before_any_work(sample, tmp_path):
    for k, frame in enumerate(few_frames(sample)):
        tifffile.imwrite(tmp_path / f"shelf_{k}.tif", frame, photometric="rgb")
    before = sorted(tmp_path.iterdir())
    out = tmp_path / "out.tif"
    result = CliRunner().invoke(
        main, ["fuse", str(tmp_path), "--output", str(out), "--memory", "0.2"]
    )
    assert result.exit_code == 1
    assert len(result.stderr.strip().splitlines()) == 1
    assert "0.2 GiB" in result.stderr
    assert "measure" not in result.stderr
    assert sorted(tmp_path.iterdir()) == before


def test_what_is_kept_of_a_frame_does_not_change_with_the_next():
    """Half of these frames is just the size that registration works on."""
    height = round(np.sqrt(REGISTRATION_PIXELS / 2))
    shape = (2 * height, 4 * height)
    raw = np.full((*shape, 3), 20000, np.uint16)
    luma = np.full(half_shape(shape), 0.3, np.float32)
    kept = reduce_frame(raw, luma, srgb_transfer(3)).luma
    assert kept.shape == luma.shape
    luma[:] = 0.7
    assert float(kept.max()) == pytest.approx(0.3, abs=1e-6)
