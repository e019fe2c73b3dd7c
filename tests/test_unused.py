"""What moved, and dust on the sensor, stays out of the picture where it can."""

import cv2
import numpy as np
import pytest

from benchmarks.brackets import srgb_decode, srgb_encode
from benchmarks.faults import patched
from stacker.compute import fuse_frames
from stacker.depth import FocusMaps
from stacker.fusion import FusionAccumulator, Unused
from stacker.settings import AlignSettings, FuseSettings

SETTINGS = FuseSettings(align=AlignSettings(reference=4))
FULL_SCALE = 65535
IDENTITY = np.linspace(0, 1, FULL_SCALE + 1, dtype=np.float32)[None]
MOVED_PX = 6
# rough places of the squares that `benchmarks.faults.patched` moves
INSIDE_TOP, INSIDE_LEFT, SIDE = 0.4, 0.3, 0.15


def changed(frame, change):
    linear = srgb_decode((frame / FULL_SCALE).astype(np.float32))
    seen = srgb_encode(np.clip(change(linear), 0, 1))
    return np.round(seen * FULL_SCALE).astype(np.uint16)


def off(a, b, where):
    """Root mean square difference, in 8-bit steps."""
    return float(np.sqrt(((a[where].astype(float) - b[where]) ** 2).mean())) / 257


@pytest.fixture(scope="module")
def clean(sample):
    return fuse_frames(sample.frames, SETTINGS)


@pytest.mark.parametrize("for_good", [False, True])
def test_a_thing_that_moved_leaves_no_ghost(sample, clean, for_good):
    frames = [
        changed(f, lambda x: patched(x, MOVED_PX))
        if k == 4 or (for_good and k > 4)
        else f
        for k, f in enumerate(sample.frames)
    ]
    result = fuse_frames(frames, SETTINGS)
    said = [f for f in result.findings if f.code == "thing_moved"]
    assert len(said) == 1
    assert "Not used there" in said[0].message
    h, w = clean.picture.shape[:2]
    y, x, side = int(INSIDE_TOP * h), int(INSIDE_LEFT * w), int(SIDE * w)
    place = np.s_[y + 8 : y + side - 8, x + 8 : x + side - 8]
    moved = np.roll(clean.picture, MOVED_PX, axis=1)
    # The thing is in one of its two places, not in a mixture of both.
    apart = off(moved, clean.picture, place)
    nearest = min(off(result.picture, p, place) for p in (clean.picture, moved))
    assert nearest < 0.5 * apart
    if not for_good:
        assert 4 not in np.unique(result.coverage[place])
        assert off(result.picture, clean.picture, place) == nearest
    # elsewhere nothing changes
    assert off(result.picture, clean.picture, np.s_[: h // 4]) < 1


def test_dust_is_not_fused_in_where_another_frame_is_clean():
    rng = np.random.default_rng(3)
    scene = cv2.GaussianBlur(rng.random((90, 140)), (0, 0), 1.2)
    scene = np.round((scene - scene.min()) * 40000 + 9000).astype(np.uint16)
    shift = 14  # the scene moves by so much over the sensor from frame to frame
    speck = (70.0, 41.0, 7.0)
    y, x = np.mgrid[:90, :140]
    frames = []
    to_master = []
    for k in range(3):
        frame = np.roll(scene, k * shift, axis=1)
        frame[np.hypot(x - speck[0], y - speck[1]) < speck[2] - 2.5] //= 2
        frames.append(frame)
        move = np.eye(3)
        move[0, 2] = -k * shift
        to_master.append(move)
    half = (45, 70)
    # half way between the first two frames, which both show it well
    maps = FocusMaps(
        index=np.full(half, 0.5, np.float32),
        fill=np.full(half, 0.5, np.float32),
        certainty=np.ones(half, np.float32),
    )
    fusion = FusionAccumulator(
        (90, 140, 1), maps, to_master, 0, unused=Unused(specks=np.array([speck]))
    )
    for first, end in fusion.bands(1):
        fusion.begin(first, end)
        for k, frame in enumerate(frames):
            if fusion.window(k) is not None:
                fusion.add(frame[..., None], 0, IDENTITY, k)
        fusion.end()
    picture = fusion.finish(maps.index, [0, 1, 2], 3).picture
    inside = np.s_[:, 45:-45]  # seen by all
    assert np.abs(picture[inside].astype(int) - scene[inside]).max() <= 257


def test_dust_is_reported_and_its_edges_do_not_pass_for_focus(sample, clean):
    h, w = clean.picture.shape[:2]
    y, x = np.mgrid[:h, :w].astype(np.float32)
    specks = [(0.06 * w, 0.2 * h), (0.93 * w, 0.85 * h)]
    shade = np.ones((h, w), np.float32)
    for cx, cy in specks:
        away = np.clip((np.hypot(x - cx, y - cy) / 4 - 1) * 6, -30, 30)
        shade *= (1 - 0.4 / (1 + np.exp(away))).astype(np.float32)
    dusty = [changed(f, lambda p: p * shade[..., None]) for f in sample.frames]
    result = fuse_frames(dusty, SETTINGS)
    said = [f for f in result.findings if f.code == "dust"]
    assert len(said) == 1
    assert "2 specks" in said[0].message
    frames = result.depth_in_frames() - clean.depth_in_frames()
    for cx, cy in specks:
        near = np.hypot(x - cx, y - cy) < 10
        assert np.abs(frames[near]).max() < 1
