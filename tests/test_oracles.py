"""Every compiled kernel against slow, obvious array arithmetic (`stacker.arrays`).

Tolerances: sharpness 2e-6 of the largest value; resampling what a weight off by 1e-4 (runs
of pixels) and a place off by 1/4096 px (table) can do to a full step between neighbours;
weights and places of peaks within float rounding; codes within one.
"""

import numpy as np
import pytest

from stacker import _kernels, _opencv, edges
from stacker.arrays import blending, energy, peaks, smoothing, warping, weights
from stacker.arrays import edges as edges_twin
from stacker.arrays.lanczos import lanczos_weights, resampled
from stacker.arrays.passes import ArrayPasses
from stacker.fusion import Unused, focal_weights, seen_by_all
from stacker.light import normalising_table, srgb_transfer, straight_parts
from stacker.passes import HostPasses
from stacker.sharpness import POOL_REACH, POOL_SIGMA, pooling_taps

SIZES = [(37, 53), (64, 67), (131, 70), (1, 9), (11, 1), (2, 3)]
TURNED = np.array([[1.004, 0.013, -3.3], [-0.012, 1.005, 2.6], [0, 0, 1.0]])
TILTED = np.array([[0.97, -0.02, 4.1], [0.03, 0.99, -5.7], [2e-5, -3e-5, 1.0]])
STILL = np.eye(3)
BESIDE = np.array([[1, 0, 400.0], [0, 1, -300.0], [0, 0, 1]])
GEOMETRIES = {"still": STILL, "turned": TURNED, "tilted": TILTED, "beside": BESIDE}


def made_frame(shape, channels, dtype, seed=0):
    """A frame with smooth parts, hard edges, noise and clipped codes."""
    rng = np.random.default_rng((seed, *shape, channels))
    top = np.iinfo(dtype).max
    y, x = np.mgrid[: shape[0], : shape[1]]
    smooth = 0.5 + 0.3 * np.sin(x / 5.3) * np.cos(y / 7.1)
    edges = 0.6 * ((x // 11 + y // 13) % 2) - 0.2
    planes = [
        smooth + edges + 0.05 * rng.standard_normal(shape) for _ in range(channels)
    ]
    return (np.clip(np.stack(planes, axis=-1), 0, 1) * top).round().astype(dtype)


def made_focus(shape, n, seed=0):
    """Half-size maps with certain, uncertain and half certain places."""
    rng = np.random.default_rng((seed, *shape, n))
    h, w = (shape[0] + 1) // 2, (shape[1] + 1) // 2
    index = rng.uniform(0, n - 1, (h, w)).astype(np.float32)
    index[::5] = np.round(index[::5])  # whole frames: weights of exactly 0 and 1
    fill = np.clip(index + rng.normal(0, 0.7, (h, w)), 0, n - 1).astype(np.float32)
    certainty = rng.uniform(0, 1, (h, w)).astype(np.float32)
    certainty[:, ::3] = 1
    certainty[::4] = 0
    return weights.FocalWeights(index, fill, certainty, *focal_weights())


def made_transforms(n):
    """Frame 0 in place, one far outside, the others turned and tilted a little more."""
    out = [np.eye(3)]
    for k in range(1, n):
        move = (TURNED if k % 2 else TILTED) - np.eye(3)
        out.append(np.eye(3) + move * k / n)
    out[-1] = BESIDE
    return np.stack(out)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("shape", SIZES)
def test_energy(shape, channels, dtype):
    raw = made_frame(shape, channels, dtype)
    h, w = (shape[0] + 1) // 2, (shape[1] + 1) // 2
    found, luma = np.empty((2, h, w), np.float32)
    scale = np.float32(1 / np.iinfo(dtype).max)
    flat, taps = raw.reshape(shape[0], -1), pooling_taps()
    for rows in ((0, h // 2), (h // 2, h)):
        _kernels.energy_rows(flat, channels, scale, taps, found, luma, *rows)
    wanted, wanted_luma = energy.half_energy(np, raw)
    wanted = smoothing.gaussian_blur(np, wanted, POOL_SIGMA, POOL_REACH)
    np.testing.assert_allclose(found, wanted, atol=2e-6 * max(1, wanted.max()))
    np.testing.assert_allclose(luma, wanted_luma, atol=1e-6)


def made_maps(shape, n):
    """Energy and luma of n frames; some places are not covered by some frames."""
    rng = np.random.default_rng((7, *shape, n))
    out = []
    for k in range(n):
        e = rng.gamma(2, 1e-4, shape).astype(np.float32)
        e *= 1 + 20 * np.exp(-((np.arange(shape[1]) / shape[1] * n - k) ** 2))
        luma = rng.uniform(0, 0.2, shape).astype(np.float32)
        hidden = rng.uniform(size=shape) < 0.1
        e[hidden], luma[hidden] = -1, -1
        out.append((e.astype(np.float32), luma))
    return out


@pytest.mark.parametrize("n", [2, 3, 7])
def test_peaks(n):
    shape = (23, 31)
    maps = made_maps(shape, n)
    floor = np.full(shape, 5e-5, np.float32)
    state = peaks.Peaks.none(np, shape)
    best, at_best, before, after = (np.full(shape, -1, np.float32) for _ in range(4))
    total, count = np.zeros(shape, np.float32), np.zeros(shape, np.uint16)
    which = np.full(shape, -9, np.int16)
    none = np.full(shape, -1, np.float32)
    for k in range(n):
        a, b = max(k - 1, 0), min(k + 1, n - 1)
        lumas = maps[a][1], maps[b][1]
        wanted = peaks.drift_of(np, *lumas, one_sided=b - a < 2)
        wanted = smoothing.gaussian_blur(np, wanted, POOL_SIGMA, POOL_REACH)
        previous = maps[k - 1][0] if k else None
        following = maps[k + 1][0] if k < n - 1 else maps[k - 2][0] if k > 1 else None
        for rows in ((0, 9), (9, shape[0])):
            _kernels.judge_rows(
                maps[k][0],
                none if previous is None else previous,
                none if following is None else following,
                following is not None,
                *(*lumas, b - a < 2, pooling_taps(), k),
                *(best, at_best, before, after, total, count, which, *rows),
            )
        peaks.take_frame(np, state, k, (maps[k][0], previous, following), wanted)
    # A tie of merits within rounding may go either way.
    same = which == state.which
    assert same.mean() > 0.999
    assert set(np.unique(which)) >= set(range(n))
    np.testing.assert_array_equal(count, state.count)
    np.testing.assert_allclose(total, state.total, rtol=1e-5)
    for ours, theirs in ((best, state.best), (before, state.before)):
        np.testing.assert_allclose(ours[same], theirs[same], rtol=1e-5)
    np.testing.assert_allclose(after[same], state.after[same], rtol=1e-5)
    index, height = np.empty(shape, np.float32), np.empty(shape, np.float32)
    _kernels.finish_peak_rows(
        *(best, at_best, before, after, total, count, which),
        *(n, floor, index, height, 0, shape[0]),
    )
    wanted = peaks.peak_place(np, state, n, floor)
    np.testing.assert_allclose(index[same], wanted[same], atol=1e-3)
    mean = state.total / np.maximum(state.count, 1)
    above = (np.maximum(state.best, 0) - mean) / floor
    np.testing.assert_allclose(height[same], above[same], rtol=1e-4, atol=1e-3)
    assert n == 2 or ((wanted % 1) > 0.01).mean() > 0.3


def made_unused(shape, n):
    """Dust in places where frames can and cannot stand in, and something that moved."""
    h, w = shape
    specks = [[w / 3, h / 2, 5.3], [w / 2, h / 3, 9.0], [2.0, 1.0, 3.0]]
    boxes = [[k, 0, h // 5, w // 8, w // 4] for k in range(n)]  # a place of no frame's
    boxes.append([0, h // 8, h // 4, 0, w // 8])
    return Unused(specks=np.array(specks), boxes=np.array(boxes, np.int64))


def found_sums(focus, to_frames, shape, unused, reference):
    """Weights added up by the kernel."""
    half = focus.index.shape
    inverse, owner = np.empty(half, np.float32), np.empty(half, np.int16)
    _kernels.weight_sum_rows(
        *(*focus, to_frames, *shape, unused.specks, unused.boxes),
        *(seen_by_all([np.linalg.inv(t) for t in to_frames], shape), reference),
        *(inverse, owner, 0, half[0]),
    )
    return inverse, owner


@pytest.mark.parametrize("n", [2, 9])
@pytest.mark.parametrize("shape", [(130, 71), (7, 190)])
@pytest.mark.parametrize("is_clean", [True, False])
def test_weights(shape, n, is_clean):
    focus, to_frames, reference = made_focus(shape, n), made_transforms(n), 1 % n
    unused = Unused() if is_clean else made_unused(shape, n)
    inverse, owner = found_sums(focus, to_frames, shape, unused, reference)
    wanted = weights.weight_sums(np, focus, to_frames, shape, reference, unused)
    # Ties within rounding may go either way.
    same = np.abs(inverse - wanted.inverse) <= 2e-5 * np.abs(wanted.inverse)
    assert same.mean() > 0.999
    assert (owner == wanted.owner).mean() > 0.999
    assert (inverse == 0).any()
    assert (inverse > 0).any()
    assert (inverse < 0).any() != is_clean
    for k in range(n):
        assert wanted.has_weight[k] or not (owner == k).any()
    if n > 2:
        assert not wanted.has_weight[-1]  # far outside


def test_blocks_without_weight_are_left_out():
    shape, n = (200, 330), 9
    focus, to_frames = made_focus(shape, n), made_transforms(n)
    smooth = np.linspace(0, n - 1, focus.index.shape[1], dtype=np.float32)
    smooth = np.broadcast_to(smooth, focus.index.shape).copy()
    focus = focus._replace(index=smooth, fill=smooth)
    unused = made_unused(shape, n)
    wanted = weights.weight_sums(np, focus, to_frames, shape, 0, unused)
    h, w = _kernels.BLOCK_ROWS, _kernels.BLOCK_COLUMNS
    blocks = -(-shape[0] // h), -(-shape[1] // w)
    low, high = np.empty((2, *blocks), np.float32)
    _kernels.block_reach_rows(
        *(*focus[:3], wanted.inverse, wanted.owner, 2, 3, low, high, 0, blocks[0])
    )
    skipped = 0
    for k in range(n):
        weight = weights.frame_weights(
            np, k, focus, wanted, to_frames[k], shape, unused
        )
        has_weight = (np.abs(weight) > 0).astype(np.float32)
        full = weights.expanded(np, has_weight, shape) > 0
        for i, j in np.ndindex(blocks):
            if not low[i, j] < k < high[i, j]:
                skipped += 1
                assert not full[i * h : (i + 1) * h, j * w : (j + 1) * w].any()
    assert skipped > n


def test_lanczos_table():
    table = _kernels.lanczos_table()
    phase = np.linspace(-1 / 16, 1 + 1 / 16, len(table))
    # Beyond a pixel the taps of the table stay those of the pixel.
    inside = (phase >= 0) & (phase <= 1)
    np.testing.assert_allclose(
        table[inside], lanczos_weights(np, phase[inside]), atol=1e-6
    )


def nearly_same_codes(found, wanted, frame):
    """Hold resampled values against each other, as this file's head says."""
    step = float(np.ptp(frame.astype(np.float64)))
    error = np.abs(found.astype(np.float64) - wanted)
    assert error.max() <= 0.02 * step
    assert np.quantile(error, 0.99) <= 2e-3 * step
    assert error.mean() <= 3e-4 * step


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("name", GEOMETRIES)
def test_resampling_of_one_frame(name, channels, dtype):
    shape, out = (70, 131), (67, 133)
    frame = made_frame(shape, channels, dtype)
    codes = np.arange(65536, dtype=np.float32) / 65535
    curves = np.stack([codes**g for g in (1.0, 0.9, 1.1)[:channels]], dtype=np.float32)
    picture = np.empty((out[0], out[1] * channels), np.uint16)
    m = GEOMETRIES[name]
    flat = frame.reshape(shape[0], -1)
    table = _kernels.lanczos_table()
    n_blocks = -(-out[0] // _kernels.BLOCK_ROWS)
    straight = straight_parts(curves)
    _kernels.align_rows(
        flat, channels, m, curves, straight, table, picture, 0, n_blocks
    )
    values = resampled(np, frame, m, out)
    values = blending.on_curve(np, curves, values, dtype().itemsize)
    wanted = values.reshape(out[0], -1) * 65535
    full = np.array([0, 65535])
    nearly_same_codes(picture, wanted, full)
    if name == "still":
        np.testing.assert_allclose(picture, wanted, atol=1)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("shape", [(70, 131), (129, 66), (5, 9)])
def test_picture(shape, channels, dtype):
    n, reference = 4, 0
    focus, to_frames = made_focus(shape, n), made_transforms(n)
    unused = made_unused(shape, n)
    curves = np.repeat(np.linspace(0, 1, 65536, dtype=np.float32)[None], channels, 0)
    inverse, owner = found_sums(focus, to_frames, shape, unused, reference)
    of_weights = weights.WeightSums(inverse=inverse, owner=owner, has_weight=[True] * n)
    flat_shape = (shape[0], shape[1] * channels)
    sums, wanted = (blending.Sums.none(np, flat_shape) for _ in range(2))
    n_blocks = -(-shape[0] // _kernels.BLOCK_ROWS)
    blocks = np.ones((n_blocks, -(-shape[1] // _kernels.BLOCK_COLUMNS)), np.uint8)
    table = _kernels.lanczos_table()
    for k in range(n):
        frame = made_frame(shape, channels, dtype, seed=k)
        _kernels.accumulate_rows(
            *(frame.reshape(shape[0], -1), 0, shape[0], channels, to_frames, curves),
            *(straight_parts(curves), table, k, *focus[:3], inverse, owner, *focus[3:]),
            *(unused.specks, unused.boxes, blocks, 0, *sums, 0, n_blocks),
        )
        half_weights = weights.frame_weights(
            np, k, focus, of_weights, to_frames[k], shape, unused
        )
        values = resampled(np, frame, to_frames[k], shape)
        values = blending.on_curve(np, curves, values, dtype().itemsize)
        blending.add_frame(np, wanted, values, half_weights)
    nearly_same_codes(sums.total, wanted.total, np.array([0, 1]))
    for found, theirs in ((sums.low, wanted.low), (sums.high, wanted.high)):
        apart = np.abs(found.astype(int) - theirs)
        assert (apart > 1).mean() < 0.002  # a weight at the threshold itself
    picture = np.empty(flat_shape, np.uint16)
    _kernels.finish_picture_rows(*sums, picture, 0, shape[0])
    own = blending.finished(np, sums)
    assert np.abs(picture.astype(int) - own).max() <= 1
    held = (sums.low < sums.high) & (sums.total * 255 > sums.high)
    assert held.any() or shape[0] == 5


def test_range_spreads_to_neighbours():
    rng = np.random.default_rng(3)
    for channels, shape in ((1, (7, 12)), (3, (9, 15)), (3, (1, 3))):
        low, high = rng.integers(0, 255, (2, *shape), dtype=np.uint8)
        sums = blending.Sums(np.zeros(shape, np.float32), low, high)
        wanted = blending.spread_range(np, sums, channels)
        low, high = low.copy(), high.copy()
        _opencv.spread_range(low, high, channels)
        np.testing.assert_array_equal(low, wanted.low)
        np.testing.assert_array_equal(high, wanted.high)


@pytest.mark.parametrize("shape", [(70, 131), (5, 9), (1, 2)])
def test_finished_maps(shape):
    rng = np.random.default_rng(5)
    h, w = (shape[0] + 1) // 2, (shape[1] + 1) // 2
    code = rng.uniform(0, 65535, (h, w)).astype(np.float32)
    sure = rng.uniform(0, 255, (h, w)).astype(np.float32)
    owner = rng.integers(0, 9, (h, w)).astype(np.uint8)
    found = [np.empty(shape, t) for t in (np.uint16, np.uint8, np.uint8)]
    scale, maps = np.float32(65535), (code / np.float32(65535), sure / np.float32(255))
    _kernels.finish_maps_rows(maps[0], scale, maps[1], owner, *found, 0, shape[0])
    wanted = blending.finished_maps(np, code, sure, owner, shape)
    for ours, theirs in zip(found, wanted, strict=True):
        assert np.abs(ours.astype(int) - theirs).max() <= 1
    np.testing.assert_array_equal(found[2], wanted[2])


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("shape", SIZES)
def test_depth_follows_the_picture(shape, channels):
    picture = made_frame(shape, channels, np.uint16)
    guide = edges.picture_guide(picture.reshape(shape[0], -1), channels, 2)
    np.testing.assert_array_equal(guide, edges_twin.guide_of(np, picture))
    rng = np.random.default_rng(13)
    half = guide.shape[:2]
    y, x = np.mgrid[: half[0], : half[1]]
    place = 4.0 * ((x // 7 + y // 9) % 2) + 0.2 * rng.random(half)
    place = place.astype(np.float32)
    certainty = rng.uniform(0, 1, half).astype(np.float32)
    found = edges.follow_picture(place, certainty, guide, n_threads=2)
    wanted = edges_twin.followed(np, place, certainty, guide)
    assert (np.abs(found - wanted) < 1e-6).mean() > 0.999
    assert min(half) < 4 or (found != place).any()


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_small_copies(channels, dtype):
    shape = (211, 347)
    raw = made_frame(shape, channels, dtype)
    flat, scale = raw.reshape(shape[0], -1), np.float32(1 / np.iinfo(dtype).max)
    luma = np.empty(shape, np.float32)
    for rows in ((0, 100), (100, shape[0])):
        _kernels.luma_rows(flat, channels, scale, luma, *rows)
    values = raw.astype(np.float32) * scale
    wanted = _opencv.luma_of(values.reshape(*shape, channels))
    np.testing.assert_allclose(luma, np.asarray(wanted).reshape(shape), atol=1e-6)
    for small in ((211, 347), (100, 170), (31, 40), (1, 1)):
        found = np.empty(small, np.float32)
        for rows in ((0, small[0] // 2), (small[0] // 2, small[0])):
            _kernels.area_mean_rows(luma, found, *rows)
        np.testing.assert_allclose(found, _opencv.area_reduce(luma, small), atol=1e-5)
    glance = np.empty((21, 30 * channels), np.uint8)
    _kernels.glance_rows(flat, channels, glance, 0, 21)
    down = ((np.arange(42) + 0.5) * shape[0] / 42).astype(int)
    across = ((np.arange(60) + 0.5) * shape[1] / 60).astype(int)
    four = raw.reshape(*shape, channels)[down][:, across].astype(int)
    total = four.reshape(21, 2, 30, 2, channels).sum((1, 3))
    wanted = total // (4 if dtype == np.uint8 else 4 * 257)
    np.testing.assert_array_equal(glance.reshape(21, 30, channels), wanted)


@pytest.mark.parametrize("channels", [1, 3])
def test_detail_of_tiles(channels):
    raw = made_frame((90, 120), channels, np.uint16)
    scale = np.float32(1 / 65535)
    rows, columns = np.array([0, 13, 26]), np.array([0, 40, 56])
    found = np.empty(9, np.float32)
    _kernels.tile_detail(
        raw.reshape(90, -1), channels, scale, rows, columns, 64, 64, found
    )
    luma = _opencv.luma_of(raw.reshape(90, 120, channels).astype(np.float32) * scale)
    luma = np.asarray(luma, float).reshape(90, 120)
    wanted = []
    for r in rows:
        for c in columns:
            t = luma[r : r + 64, c : c + 64]
            around = t[:-2, 1:-1] + t[2:, 1:-1] + t[1:-1, :-2] + t[1:-1, 2:]
            wanted.append(np.square(around - 4 * t[1:-1, 1:-1]).mean())
    np.testing.assert_allclose(found, wanted, rtol=2e-3)


@pytest.mark.parametrize("blur_px", [0.7, -3.0, 40.0])
@pytest.mark.parametrize("shape", SIZES)
def test_hidden_places(shape, blur_px):
    place = np.random.default_rng(14).uniform(0, 9, shape).astype(np.float32)
    place = np.asarray(_opencv.median_5x5(place))
    wanted = edges_twin.hidden_share(np, place, blur_px)
    np.testing.assert_allclose(edges.hidden_share(place, blur_px), wanted, atol=2e-5)


@pytest.mark.parametrize("shape", SIZES)
def test_maps_are_smoothed_as_opencv_does(shape):
    rng = np.random.default_rng(11)
    image = rng.uniform(0, 1, shape).astype(np.float32)
    for sigma in (1.0, 1.6):
        blurred = smoothing.gaussian_blur(np, image, sigma)
        np.testing.assert_allclose(
            blurred, _opencv.gaussian_blur(image, sigma), atol=2e-6
        )
    down = _opencv.pyramid_down(image)
    np.testing.assert_allclose(smoothing.pyramid_down(np, image), down, atol=2e-6)
    up = smoothing.pyramid_up(np, down, shape)
    np.testing.assert_allclose(up, _opencv.pyramid_up(down, shape), atol=2e-6)
    small = (max(1, round(shape[0] / 2.7)), max(1, round(shape[1] / 2.7)))
    reduced = smoothing.area_reduced(np, image, small)
    np.testing.assert_allclose(reduced, _opencv.area_reduce(image, small), atol=5e-6)


@pytest.mark.parametrize("outside", [None, -1.0])
@pytest.mark.parametrize("name", GEOMETRIES)
def test_maps_are_warped_as_opencv_does(name, outside):
    rng = np.random.default_rng(12)
    rough = rng.uniform(0, 1, (61, 83)).astype(np.float32)
    image = _opencv.gaussian_blur(rough, 1.0)
    m, shape = GEOMETRIES[name], (57, 90)
    found = _opencv.warp_linear(image, m, shape, outside=outside)
    (wanted,) = warping.warp_linear(np, [image], m, shape, outside=outside)
    np.testing.assert_allclose(found, wanted, atol=2e-3)


@pytest.mark.parametrize("name", GEOMETRIES)
def test_maps_taken_in(name):
    rng = np.random.default_rng(14)
    shape, m = (57, 190), GEOMETRIES[name]
    maps = [_opencv.gaussian_blur(rng.random((61, 183), np.float32), 1.0) for _ in "el"]
    host, arrays = HostPasses(2), ArrayPasses(np)
    both = []
    for passes in (host, arrays):
        seen = passes.seen(shape)
        seen.luma[20:40] = 0.3
        energy, luma = (image.copy() for image in maps)
        taken = passes.taken_in(energy, luma, 1.7, m, seen)
        both.append((*taken, seen.luma, seen.is_white))
    for found, wanted in zip(*both, strict=True):
        apart = np.abs(found.astype(float) - wanted)
        # Places of a strongly tilted frame are linear only in part.
        assert (apart > 1e-2).mean() < 1e-3


@pytest.mark.parametrize("gain", [1.0, 0.97, 1.06])
def test_straight_parts_of_curves(gain):
    curves = normalising_table(srgb_transfer(3), np.array([gain, 1.0, gain / 1.02]))
    parts = straight_parts(curves)
    first, last = parts[0, :2]
    assert last - first > 0.6 * 65535
    for low, high, *lines in parts:
        codes = np.arange(int(low), int(high) + 1)
        for c, curve in enumerate(curves):
            line = lines[2 * c] + lines[2 * c + 1] * codes
            assert np.abs(line - curve[codes]).max() < 1 / 65535
