"""What must hold for every bracket, whatever is in it."""

from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from stacker.compute import fuse_frames
from stacker.frame import FusionResult
from stacker.settings import AlignSettings, FuseSettings

if TYPE_CHECKING:
    from stacker.events import Event

ALIGNED = FuseSettings(align=AlignSettings(enabled=False, reference=0))
FULL_SCALE = 65535
VISIBLE = 0.004 * FULL_SCALE  # one step of an 8-bit display

# Light as it is: normalising noise would take it where no frame has been.
AS_LIT = FuseSettings(
    align=AlignSettings(enabled=False, reference=0, normalise_light=False)
)
# The range of the sources is kept in 255ths, rounded outward.
RANGE_STEP = FULL_SCALE / 255

few = settings(
    max_examples=4,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],  # a seed has no simpler form to shrink to
)
seeds = st.integers(0, 2**32 - 1)


def texture(rng, shape, channels):
    """Grain of several sizes, 0..1 around the middle."""
    size = (*shape, channels)
    out = np.full(size, 0.5)
    for sigma, strength in ((0.7, 0.5), (2.0, 0.6), (6.0, 1.2)):
        grain = rng.standard_normal(size)
        smooth = cv2.GaussianBlur(grain, (0, 0), sigma).reshape(size)
        out += 0.12 * strength * smooth / max(smooth.std(), 1e-6)
    return np.clip(out, 0.05, 0.9)


def bracket(seed, shape=(75, 104), channels=3, n_frames=4, noise=0.002):
    """Frames that lie on each other, sharp one after the other from left to right."""
    rng = np.random.default_rng(seed)
    sharp = texture(rng, shape, channels)
    place = np.linspace(0, n_frames - 1, shape[1])[None, :, None]
    levels = [sharp] + [
        cv2.GaussianBlur(sharp, (0, 0), 1.2 * i).reshape(sharp.shape)
        for i in range(1, n_frames)
    ]
    frames = []
    for k in range(n_frames):
        off = np.abs(place - k)
        image = sum(
            level * np.maximum(1 - np.abs(off - i), 0) for i, level in enumerate(levels)
        )
        image = image + noise * rng.standard_normal(sharp.shape)
        code = np.round(np.clip(image, 0, 1) * FULL_SCALE).astype(np.uint16)
        frames.append(code[..., 0] if channels == 1 else code)
    return frames


def spread(a, b):
    """Root mean square difference in codes."""
    return float(np.sqrt(((a.astype(float) - b) ** 2).mean()))


def assert_whole(result: FusionResult, frames) -> None:
    shape = frames[0].shape[:2]
    assert result.picture.dtype == np.uint16
    assert result.picture.shape == frames[0].shape
    assert result.depth.shape == result.confidence.shape == shape
    assert result.coverage.shape == shape
    assert result.coverage.max() < len(frames)
    assert sum(f.share for f in result.frames) == pytest.approx(1, abs=1e-6)


@few
@given(seed=seeds, n=st.integers(3, 5))
def test_order_reversed_flips_the_depth_and_nothing_else(seed, n):
    frames = bracket(seed, n_frames=n)
    there = fuse_frames(frames, ALIGNED)
    last = FuseSettings(align=AlignSettings(enabled=False, reference=n - 1))
    back = fuse_frames(frames[::-1], last)
    # at the rim the frames of the other order lie on a larger grid
    inside = (slice(4, -4), slice(4, -4))
    assert spread(there.picture[inside], back.picture[inside]) <= 0.1 * VISIBLE
    assert spread(there.picture, back.picture) <= 0.15 * VISIBLE
    sure = (there.confidence >= 128) & (back.confidence >= 128)
    assert sure.mean() > 0.3
    flipped = FULL_SCALE - back.depth.astype(float)
    assert spread(there.depth[sure], flipped[sure]) <= 0.02 * FULL_SCALE / (n - 1)
    assert spread(there.confidence, back.confidence) <= 4
    same = there.coverage == (n - 1 - back.coverage)
    assert same.mean() > 0.98
    for a, b in zip(there.frames, back.frames[::-1], strict=True):
        assert a.share == pytest.approx(b.share, abs=0.02)


@few
@given(seed=seeds, twice=st.integers(0, 3))
def test_a_repeated_frame_changes_nothing_visible(seed, twice):
    frames = bracket(seed)
    once = fuse_frames(frames, ALIGNED)
    again = fuse_frames([*frames[: twice + 1], *frames[twice:]], ALIGNED)
    # 45 dB: two pictures that cannot be told apart side by side (common practice)
    assert spread(once.picture, again.picture) < 10 ** (-45 / 20) * FULL_SCALE
    most = np.percentile(np.abs(once.picture.astype(int) - again.picture), 99.9)
    assert most < 0.04 * FULL_SCALE


@few
@given(
    value=st.integers(0, FULL_SCALE),
    channels=st.sampled_from([1, 3]),
    n=st.integers(2, 4),
)
def test_constant_stays_constant(value, channels, n):
    shape = (37, 53) if channels == 1 else (37, 53, 3)
    frames = [np.full(shape, value, np.uint16)] * n
    result = fuse_frames(frames, ALIGNED)
    assert_whole(result, frames)
    assert np.abs(result.picture.astype(int) - value).max() <= 1
    assert result.confidence.max() == 0


@few
@given(seed=seeds)
def test_grey_equals_equal_channels(seed):
    grey = bracket(seed, channels=1)
    colour = [np.repeat(f[..., None], 3, axis=2) for f in grey]
    a, b = fuse_frames(grey, ALIGNED), fuse_frames(colour, ALIGNED)
    for channel in range(3):
        assert np.abs(b.picture[..., channel].astype(int) - a.picture).max() <= 4
    np.testing.assert_allclose(
        a.depth.astype(float), b.depth, atol=0.01 * FULL_SCALE / 3
    )
    assert (a.coverage == b.coverage).mean() > 0.995


@few
@given(seed=seeds)
def test_eight_bits_answer_like_sixteen(seed):
    frames = bracket(seed)
    eight = [np.round(f / 257).astype(np.uint8) for f in frames]
    a, b = fuse_frames(frames, ALIGNED), fuse_frames(eight, ALIGNED)
    assert b.picture.dtype == np.uint16
    assert spread(a.picture, b.picture) < VISIBLE
    assert b.picture.max() > 40000  # scaled to the full range


@few
@given(seed=seeds, channels=st.sampled_from([1, 3]))
def test_never_outside_what_the_frames_saw_there(seed, channels):
    frames = bracket(seed, channels=channels)
    result = fuse_frames(frames, AS_LIT)
    k5 = np.ones((5, 5), np.uint8)
    high = np.max([cv2.dilate(f, k5) for f in frames], axis=0).astype(int)
    low = np.min([cv2.erode(f, k5) for f in frames], axis=0).astype(int)
    assert (result.picture <= high + RANGE_STEP).all()
    assert (result.picture >= low - RANGE_STEP).all()


@few
@given(seed=seeds)
def test_frames_given_are_not_changed(seed):
    frames = bracket(seed)
    kept = [f.copy() for f in frames]
    for f in frames:
        f.flags.writeable = False
    fuse_frames(frames, FuseSettings())
    for f, k in zip(frames, kept, strict=True):
        np.testing.assert_array_equal(f, k)


@few
@given(seed=seeds)
def test_mirrored_frames_give_the_mirrored_picture(seed):
    frames = bracket(seed)
    plain = fuse_frames(frames, ALIGNED)
    mirrored = fuse_frames([f[:, ::-1].copy() for f in frames], ALIGNED)
    inside = (slice(8, -8), slice(8, -8))
    assert (
        spread(plain.picture[inside], mirrored.picture[:, ::-1][inside])
        <= 0.25 * VISIBLE
    )


@pytest.mark.parametrize(
    "shape",
    [(1, 1), (1, 57), (61, 1), (2, 3), (7, 13), (4001, 3), (3, 4001), (33, 257)],
)
@pytest.mark.parametrize("channels", [1, 3])
def test_odd_tiny_and_extreme_sizes(shape, channels):
    rng = np.random.default_rng(3)
    size = shape if channels == 1 else (*shape, 3)
    frames = [rng.integers(0, FULL_SCALE, size, np.uint16) for _ in range(3)]
    result = fuse_frames(frames, AS_LIT)
    assert_whole(result, frames)
    assert result.picture.max() <= max(f.max() for f in frames) + RANGE_STEP
    assert result.picture.min() >= min(f.min() for f in frames) - RANGE_STEP


def test_two_frames_are_a_bracket():
    frames = bracket(5, n_frames=2)
    result = fuse_frames(frames, ALIGNED)
    assert_whole(result, frames)
    half = frames[0].shape[1] // 4
    left, right = np.s_[8:-8, 8:half], np.s_[8:-8, -half:-8]
    assert spread(result.picture[left], frames[0][left]) < VISIBLE
    assert spread(result.picture[right], frames[1][right]) < VISIBLE


def test_progress_is_told_stage_by_stage_and_can_stop_the_work():
    frames = bracket(6)
    seen: list[Event] = []
    fuse_frames(frames, FuseSettings(), on_event=seen.append)
    stages = list(dict.fromkeys(e.stage for e in seen))
    assert stages[-1] == "fuse"
    for stage in stages:
        steps = [e for e in seen if e.stage == stage]
        assert steps[-1].done == steps[-1].total
        assert [e.done for e in steps] == sorted(e.done for e in steps)

    class StopNowError(Exception):
        pass

    def stop(event):
        raise StopNowError

    with pytest.raises(StopNowError):
        fuse_frames(frames, FuseSettings(), on_event=stop)
