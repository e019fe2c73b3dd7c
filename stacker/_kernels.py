"""The compiled core: every numba kernel of the package, and nothing else.

Kernels are serial and release the GIL; `run_strips` drives them over strips of rows from
our own threads (numba's own parallel regions abort the process when two Python threads
enter them, numba issue 8563). Each has a plain NumPy twin in ``tests/oracles.py``.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import platformdirs

# numba reads this once, at import; without a writable place it compiles in memory.
if "NUMBA_CACHE_DIR" not in os.environ:
    _cache = Path(platformdirs.user_cache_dir("stacker")) / "compiled"
    try:
        _cache.mkdir(parents=True, exist_ok=True)
        os.environ["NUMBA_CACHE_DIR"] = str(_cache)
    except OSError:
        pass

import numba

from stacker.geometry import iter_strips

__all__ = [
    "BLOCK_SHIFT",
    "LANCZOS_TAPS",
    "WEIGHT_STEPS",
    "accumulate_rows",
    "align_rows",
    "drift_rows",
    "energy_rows",
    "finish_maps_rows",
    "finish_peak_rows",
    "finish_picture_rows",
    "lanczos_table",
    "normal_equations_rows",
    "run_strips",
    "share_rows",
    "update_peak_rows",
]

CACHE = os.access(
    os.environ.get("NUMBA_CACHE_DIR", str(Path(__file__).parent)), os.W_OK
)
jit = numba.njit(
    nogil=True, cache=CACHE, fastmath={"contract", "arcp", "nsz", "reassoc"}
)

# Four lobes: at half a pixel's phase the response at 0.34 c/px is 0.99; three give 0.89.
LANCZOS_TAPS = 8
# A resampled value stays within the range of this many samples on either side: real
# peaks between samples survive, rings beside a highlight do not.
NEAR = 2
# A frame's merit halves where the squared change of luma per frame is a sixteenth of its
# Laplacian energy (measured: rims of blurred highlights reach 1, textures stay under
# 1/30; on the chrome scene 16 gains 6 dB, on the quality bracket it costs nothing).
DRIFT_DAMPING = 16.0
# Weight tables: steps per frame of distance.
WEIGHT_STEPS = 64
# Blocks of 64 x 64 pixels are skipped whole where a frame has no weight.
BLOCK_SHIFT = 6
# The reference covers the whole master; this keeps every pixel defined.
REFERENCE_WEIGHT = 1e-5
# From this weight on a frame counts as a source whose range bounds the result.
POSITIVE_WEIGHT = 0.05
LUMA_RED, LUMA_GREEN, LUMA_BLUE = 0.2126, 0.7152, 0.0722  # ITU-R BT.709-6, 3.2


def run_strips(
    n_rows: int, n_threads: int, work: Callable[[int, int], Any], *, strips: int = 4
) -> None:
    """Call ``work(first_row, end_row)`` over all rows from `n_threads` threads."""
    n_strips = 1 if n_threads == 1 else n_threads * strips
    parts = list(iter_strips(n_rows, n_strips))
    if len(parts) == 1:
        work(*parts[0])
        return
    with ThreadPoolExecutor(n_threads) as pool:
        for done in [pool.submit(work, a, b) for a, b in parts]:
            done.result()


def lanczos_table(n_phases: int = 2048) -> npt.NDArray[np.float32]:
    """Lanczos weights for phases 0..1, (n_phases + 1, `LANCZOS_TAPS`) float32.

    Normalised to sum 1, so that a constant stays constant. The nearest of 2048 phases is
    within 1/4096 px of the exact place.

    References
    ----------
    Duchon, C. E. (1979), Lanczos filtering in one and two dimensions, J. Appl. Meteor.
    18, 1016-1022.
    """
    half = LANCZOS_TAPS // 2
    phase = np.arange(n_phases + 1)[:, None] / n_phases
    x = phase - np.arange(1 - half, half + 1)[None, :]
    weights = np.where(np.abs(x) < half, np.sinc(x) * np.sinc(x / half), 0.0)
    table: npt.NDArray[np.float32] = weights / weights.sum(axis=1, keepdims=True)
    return table.astype(np.float32)


@jit
def _luma(raw, row, col):
    if raw.shape[2] == 1:
        return np.float32(raw[row, col, 0])
    return (
        np.float32(LUMA_RED) * raw[row, col, 0]
        + np.float32(LUMA_GREEN) * raw[row, col, 1]
        + np.float32(LUMA_BLUE) * raw[row, col, 2]
    )


@jit
def energy_rows(raw, scale, energy, luma, first, end):
    """Squared Laplacian of luma and luma itself, averaged 2x2, rows `first` to `end`.

    `raw` (H, W, C) integer codes; `scale` turns a code into 0..1; `energy` and `luma`
    (ceil(H/2), ceil(W/2)) float32 are written.
    """
    height, width = raw.shape[0], raw.shape[1]
    w2 = energy.shape[1]
    rows = np.empty((4, width + 2), np.float32)
    for i in range(first, end):
        for k in range(4):
            r = min(max(2 * i - 1 + k, 0), height - 1)
            for c in range(width):
                rows[k, c + 1] = _luma(raw, r, c) * scale
            rows[k, 0] = rows[k, 1]
            rows[k, width + 1] = rows[k, width]
        n_rows = 2 if 2 * i + 1 < height else 1
        for j in range(w2):
            n_cols = 2 if 2 * j + 1 < width else 1
            total = np.float32(0)
            light = np.float32(0)
            for a in range(n_rows):
                for b in range(n_cols):
                    c = 2 * j + b + 1
                    v = rows[a + 1, c]
                    lap = (
                        rows[a, c]
                        + rows[a + 2, c]
                        + rows[a + 1, c - 1]
                        + rows[a + 1, c + 1]
                        - np.float32(4) * v
                    )
                    total += lap * lap
                    light += v
            inv = np.float32(1) / np.float32(n_rows * n_cols)
            energy[i, j] = total * inv
            luma[i, j] = light * inv


@jit
def drift_rows(before, after, one_sided, drift, first, end):
    """Squared change of brightness through focus into `drift`, rows `first` to `end`.

    `before` and `after` are the luma of the two neighbours of a frame, or of the frame
    itself and its only neighbour (`one_sided`). Negative luma = not covered.
    """
    half = np.float32(1.0 if one_sided else 0.5)
    for i in range(first, end):
        for j in range(before.shape[1]):
            d = np.float32(0)
            if before[i, j] >= 0 and after[i, j] >= 0:
                d = half * (after[i, j] - before[i, j])
            drift[i, j] = d * d


@jit
def update_peak_rows(
    energy,
    previous,
    following,
    drift,
    number,
    best,
    at_best,
    before,
    after,
    total,
    count,
    which,
    first,
    end,
):
    """Take frame `number` into the running peak, rows `first` to `end`.

    `energy` is the frame's, `previous` and `following` those of its neighbours; negative
    = not covered. The merit of a frame is its energy, damped where brightness drifts
    through it (`drift`): an edge that is in focus looks the same a little in front of
    and behind the plane of focus, the rim of a blurred highlight passes by. `best` holds
    the largest merit, `which` its frame, `at_best`, `before` and `after` the energies of
    that frame and its neighbours; `total` and `count` sum up the merits.
    """
    for i in range(first, end):
        for j in range(energy.shape[1]):
            e = energy[i, j]
            if e < 0:
                continue
            ratio = np.float32(DRIFT_DAMPING) * drift[i, j] / (e + np.float32(1e-12))
            ratio *= ratio
            merit = e / (np.float32(1) + ratio * ratio)
            total[i, j] += merit
            count[i, j] += 1
            if merit > best[i, j]:
                best[i, j] = merit
                at_best[i, j] = e
                before[i, j] = previous[i, j]
                after[i, j] = following[i, j]
                which[i, j] = number
            elif number == 1 and which[i, j] == 0:
                # The peak at frame 0 has one neighbour: its free slot takes frame 2.
                before[i, j] = following[i, j]


@jit
def _inverse_root(energy, floor):
    # A twentieth of the floor keeps the root finite at and below the floor.
    tiny = np.float32(0.05) * floor + np.float32(1e-12)
    return np.float32(1) / np.sqrt(max(energy - floor, tiny))


@jit
def finish_peak_rows(at_best, before, after, which, n_frames, floor, index, first, end):
    """Sub-frame place of the peak into `index`, rows `first` to `end`.

    Vertex of the parabola through ``(E - floor) ** -0.5`` of three neighbouring frames.
    """
    for i in range(first, end):
        for j in range(at_best.shape[1]):
            k = which[i, j]
            place = np.float32(max(k, 0))
            if before[i, j] >= 0 and after[i, j] >= 0:
                y1 = _inverse_root(at_best[i, j], floor[i, j])
                y0 = _inverse_root(before[i, j], floor[i, j])
                y2 = _inverse_root(after[i, j], floor[i, j])
                if k == 0:
                    y0, y1, y2 = y1, y2, y0
                    place = np.float32(1)
                elif k == n_frames - 1:
                    y0, y1, y2 = y2, y0, y1
                    place = np.float32(k - 1)
                bend = y0 - np.float32(2) * y1 + y2
                if bend > 0:
                    step = np.float32(0.5) * (y0 - y2) / bend
                    place += min(max(step, np.float32(-1)), np.float32(1))
                else:
                    place = np.float32(k)
            index[i, j] = place


@jit
def _at_half(image, row, col):
    """Bilinear value of a half-size map at full-size pixel (row, col)."""
    y = np.float32(0.5) * row - np.float32(0.25)
    x = np.float32(0.5) * col - np.float32(0.25)
    y = min(max(y, np.float32(0)), np.float32(image.shape[0] - 1))
    x = min(max(x, np.float32(0)), np.float32(image.shape[1] - 1))
    i, j = int(y), int(x)
    i1, j1 = min(i + 1, image.shape[0] - 1), min(j + 1, image.shape[1] - 1)
    fy, fx = y - np.float32(i), x - np.float32(j)
    top = image[i, j] + (image[i, j1] - image[i, j]) * fx
    bottom = image[i1, j] + (image[i1, j1] - image[i1, j]) * fx
    return top + (bottom - top) * fy


@jit
def _lookup(curve, position):
    """Linear interpolation in a table of equal steps at a fractional position."""
    position = min(max(position, np.float32(0)), np.float32(curve.shape[0] - 1))
    k = min(int(position), curve.shape[0] - 2)
    f = position - np.float32(k)
    return curve[k] + (curve[k + 1] - curve[k]) * f


@jit
def _weight(number, index, fill, certainty, sharp, broad):
    """Weigh frame `number` at one pixel.

    Focal interpolation where the depth is certain, a broad mean round the filled depth
    where it is not.
    """
    # Tables run over distances 0..reach in equal steps; beyond the end the weight is 0.
    per_frame = np.float32(WEIGHT_STEPS)
    a = abs(np.float32(number) - index) * per_frame
    b = abs(np.float32(number) - fill) * per_frame
    w = np.float32(0)
    if a < sharp.shape[0] - 1:
        w += certainty * _lookup(sharp, a)
    if certainty < 1 and b < broad.shape[0] - 1:
        w += (np.float32(1) - certainty) * _lookup(broad, b)
    return w


@jit
def accumulate_rows(
    raw,
    to_raw,
    curves,
    lanczos,
    number,
    is_reference,
    index,
    fill,
    certainty,
    sharp,
    broad,
    blocks,
    total,
    weight,
    low,
    high,
    first,
    end,
):
    """Add one frame to the picture where it has weight, block rows `first` to `end`.

    Resampling takes two one-dimensional passes over each block of 64 x 64 pixels
    (Catmull & Smith 1980, 3-D transformations of images in scanline order, SIGGRAPH):
    along the frame's rows to where each output column cuts them, then along the columns.
    It is exact for every projective transform that keeps rows rising.

    Parameters
    ----------
    raw
        (H, W, C) uint8 or uint16.
    to_raw
        (3, 3) float64, master pixel to frame pixel.
    curves
        (C, 65536) float32, normalised value by 16-bit code.
    lanczos
        (phases + 1, taps) float32.
    number, is_reference
        The frame's number among the used ones, and whether it is the reference.
    index, fill, certainty
        Half-size maps: place of the peak, smooth place, 0..1.
    sharp, broad
        Weights by distance in frames (`WEIGHT_STEPS` steps a frame).
    blocks
        (ceil(H/64), ceil(W/64)) uint8, 0 = this frame has no weight in the block.
    total, weight
        (H, W, C) and (H, W) float32, added to.
    low, high
        (H, W, C) uint8, range of the frames with positive weight, in 1/255.
    first, end
        Rows of `blocks`.
    """
    height, width, n_channels = raw.shape
    side = 1 << BLOCK_SHIFT
    to16 = np.float32(257 if raw.itemsize == 1 else 1)
    phases = lanczos.shape[0] - 1
    reach = LANCZOS_TAPS // 2
    m = to_raw
    weights = np.empty((side, side), np.float32)
    # Frame rows that a block can touch: its own, the taps, and what scale and roll add.
    middle = np.empty((2 * side + 4 * LANCZOS_TAPS, side, n_channels), np.float32)
    for bi in range(first, end):
        for bj in range(blocks.shape[1]):
            if blocks[bi, bj] == 0:
                continue
            r0, c0 = bi * side, bj * side
            r1, c1 = min(r0 + side, height), min(c0 + side, width)
            any_weight = False
            y_low, y_high = np.inf, -np.inf
            for r in range(r0, r1):
                for c in range(c0, c1):
                    w = _weight(
                        number,
                        _at_half(index, r, c),
                        _at_half(fill, r, c),
                        _at_half(certainty, r, c),
                        sharp,
                        broad,
                    )
                    if is_reference and abs(w) < REFERENCE_WEIGHT:
                        w = np.float32(REFERENCE_WEIGHT)
                    weights[r - r0, c - c0] = w
                    if w != 0:
                        any_weight = True
                        d = m[2, 0] * c + m[2, 1] * r + m[2, 2]
                        y = (m[1, 0] * c + m[1, 1] * r + m[1, 2]) / d
                        y_low, y_high = min(y_low, y), max(y_high, y)
            if not any_weight:
                continue
            base = max(int(np.floor(y_low)), 0) - reach
            n_rows = min(int(np.floor(y_high)), height - 1) + reach + 1 - base
            if n_rows <= 0 or n_rows > middle.shape[0]:
                continue
            for k in range(n_rows):
                row = min(max(base + k, 0), height - 1)
                ys = float(base + k)
                for c in range(c0, c1):
                    # Output row that meets frame row `ys` in this column.
                    r = (m[1, 0] * c + m[1, 2] - ys * (m[2, 0] * c + m[2, 2])) / (
                        ys * m[2, 1] - m[1, 1]
                    )
                    d = m[2, 0] * c + m[2, 1] * r + m[2, 2]
                    x = (m[0, 0] * c + m[0, 1] * r + m[0, 2]) / d
                    x = min(max(x, -1.0), float(width))
                    j = int(np.floor(x))
                    p = int((x - j) * phases + 0.5)
                    inside = j >= reach - 1 and j + reach < width
                    for ch in range(n_channels):
                        v = np.float32(0)
                        if inside:
                            for t in range(LANCZOS_TAPS):
                                v += lanczos[p, t] * np.float32(
                                    raw[row, j + t - (reach - 1), ch]
                                )
                        else:
                            for t in range(LANCZOS_TAPS):
                                q = min(max(j + t - (reach - 1), 0), width - 1)
                                v += lanczos[p, t] * np.float32(raw[row, q, ch])
                        middle[k, c - c0, ch] = v
            for r in range(r0, r1):
                for c in range(c0, c1):
                    w = weights[r - r0, c - c0]
                    if w == 0:
                        continue
                    d = m[2, 0] * c + m[2, 1] * r + m[2, 2]
                    x = (m[0, 0] * c + m[0, 1] * r + m[0, 2]) / d
                    y = (m[1, 0] * c + m[1, 1] * r + m[1, 2]) / d
                    if x < -0.5 or y < -0.5 or x > width - 0.5 or y > height - 0.5:
                        continue
                    i, j = int(np.floor(y)), int(np.floor(x))
                    p = int((y - i) * phases + 0.5)
                    ia, ib = min(max(i, 0), height - 1), min(max(i + 1, 0), height - 1)
                    ja, jb = min(max(j, 0), width - 1), min(max(j + 1, 0), width - 1)
                    i -= base
                    weight[r, c] += w
                    for ch in range(n_channels):
                        v = np.float32(0)
                        for t in range(LANCZOS_TAPS):
                            v += lanczos[p, t] * middle[i + t - (reach - 1), c - c0, ch]
                        # No ringing: stay in the range of the four nearest samples
                        # (costs 0.02 dB on the quality bracket).
                        e, f = np.float32(raw[ia, ja, ch]), np.float32(raw[ia, jb, ch])
                        g, h = np.float32(raw[ib, ja, ch]), np.float32(raw[ib, jb, ch])
                        lo, hi = min(e, f, g, h), max(e, f, g, h)
                        v = min(max(v, lo), hi)
                        value = _lookup(curves[ch], v * to16)
                        total[r, c, ch] += w * value
                        if w > POSITIVE_WEIGHT:
                            lo8 = max(int(np.floor(np.float32(255) * value)), 0)
                            hi8 = min(int(np.ceil(np.float32(255) * value)), 255)
                            low[r, c, ch] = min(low[r, c, ch], lo8)
                            high[r, c, ch] = max(high[r, c, ch], hi8)


@jit
def finish_picture_rows(total, weight, low, high, picture, first, end):
    """Weighted mean, held within the range of its sources, as 16-bit codes."""
    for r in range(first, end):
        for c in range(total.shape[1]):
            inv = np.float32(1) / weight[r, c]
            for ch in range(total.shape[2]):
                v = total[r, c, ch] * inv
                if low[r, c, ch] <= high[r, c, ch]:
                    v = max(v, np.float32(low[r, c, ch]) * np.float32(1 / 255))
                    v = min(v, np.float32(high[r, c, ch]) * np.float32(1 / 255))
                v = min(max(v, np.float32(0)), np.float32(1))
                picture[r, c, ch] = np.uint16(v * np.float32(65535) + np.float32(0.5))


@jit
def finish_maps_rows(
    index,
    fill,
    certainty,
    sharp,
    broad,
    numbers,
    depth_scale,
    depth,
    confidence,
    coverage,
    first,
    end,
):
    """Full-size depth, confidence and coverage from the half-size maps.

    `numbers` (n,) holds the bracket's number of each used frame; `depth_scale` turns a
    frame number into a depth code.
    """
    n = numbers.shape[0]
    for r in range(first, end):
        for c in range(depth.shape[1]):
            sure = _at_half(certainty, r, c)
            near = _at_half(index, r, c)
            far = _at_half(fill, r, c)
            place = sure * near + (np.float32(1) - sure) * far
            k = min(max(int(place), 0), n - 1)
            k1 = min(k + 1, n - 1)
            frac = min(max(place - np.float32(k), np.float32(0)), np.float32(1))
            number = numbers[k] + (numbers[k1] - numbers[k]) * frac
            depth[r, c] = np.uint16(number * depth_scale + np.float32(0.5))
            confidence[r, c] = np.uint8(sure * np.float32(255) + np.float32(0.5))
            top = np.float32(-1)
            for guess in (near, far):
                base = int(guess)
                for j in range(max(base, 0), min(base + 2, n)):
                    w = _weight(j, near, far, sure, sharp, broad)
                    if w > top:
                        top = w
                        coverage[r, c] = numbers[j]


@jit
def _cubic_weights(f):
    """Cubic convolution (Keys 1981, a = -1/2) of four samples at phase `f`."""
    g = 1.0 - f
    return (
        -0.5 * f * g * g,
        1.0 + f * f * (1.5 * f - 2.5),
        1.0 + g * g * (1.5 * g - 2.5),
        -0.5 * g * f * f,
    )


@jit
def _cubic(image, y, x):
    """Value of `image` at (y, x), at least one pixel inside its edge."""
    i, j = int(y), int(x)
    a, b = _cubic_weights(y - i), _cubic_weights(x - j)
    v = 0.0
    for k in range(4):
        row = i - 1 + k
        across = 0.0
        for t in range(4):
            across += b[t] * image[row, j - 1 + t]
        v += a[k] * across
    return v


@jit
def normal_equations_rows(
    reference,
    moving,
    to_moving,
    focus,
    behind,
    parallax_x,
    parallax_y,
    n_params,
    noise,
    margin,
    first,
    end,
):
    """Sum up one Gauss-Newton step of a weighted registration, rows `first` to `end`.

    Returns (A, b, cost, weight): normal matrix and right side of ``moving - reference =
    grad(reference) . u - alpha * moving``. The displacement u is spanned by the first
    `n_params` of: shift x, shift y, scale, rotation, two shears, two keystones, and by
    two shifts that grow with `behind` (how far behind the plane of focus a place lies),
    the parallax, at `parallax_x`, `parallax_y` now. alpha, a change of contrast, is the
    last unknown. Coordinates are centred and divided by half the diagonal. Residuals
    beyond `noise` are damped (Cauchy weights).
    """
    height, width = reference.shape
    centre_x, centre_y = 0.5 * (width - 1), 0.5 * (height - 1)
    unit = max(np.sqrt(centre_x * centre_x + centre_y * centre_y), 1.0)
    m = n_params + 3
    normal = np.zeros((m, m))
    right = np.zeros(m)
    cost = 0.0
    mass = 0.0
    g = np.empty(m)
    for r in range(max(first, margin), min(end, height - margin)):
        for c in range(margin, width - margin):
            w = focus[r, c]
            if w <= 0:
                continue
            q = behind[r, c]
            xr, yr = c - q * parallax_x, r - q * parallax_y
            d = to_moving[2, 0] * xr + to_moving[2, 1] * yr + to_moving[2, 2]
            xm = (to_moving[0, 0] * xr + to_moving[0, 1] * yr + to_moving[0, 2]) / d
            ym = (to_moving[1, 0] * xr + to_moving[1, 1] * yr + to_moving[1, 2]) / d
            if xm < margin or ym < margin or xm >= width - 1 - margin or ym >= height - 1 - margin:
                continue
            v = _cubic(moving, ym, xm)
            e = v - reference[r, c]
            gx = 0.5 * (reference[r, c + 1] - reference[r, c - 1])
            gy = 0.5 * (reference[r + 1, c] - reference[r - 1, c])
            x, y = (c - centre_x) / unit, (r - centre_y) / unit
            g[0] = gx
            g[1] = gy
            if n_params > 2:
                g[2] = gx * x + gy * y
                g[3] = gy * x - gx * y
            if n_params > 4:
                g[4] = gx * x - gy * y
                g[5] = gx * y + gy * x
            if n_params > 6:
                g[6] = gx * x * x + gy * x * y
                g[7] = gx * x * y + gy * y * y
            g[n_params] = gx * q
            g[n_params + 1] = gy * q
            g[n_params + 2] = -v
            w = w / (1 + (e / noise) ** 2)
            cost += w * e * e
            mass += w
            for a in range(m):
                right[a] += w * g[a] * e
                for b in range(a, m):
                    normal[a, b] += w * g[a] * g[b]
    for a in range(m):
        for b in range(a):
            normal[a, b] = normal[b, a]
    return normal, right, cost, mass


@jit
def align_rows(raw, to_raw, curves, lanczos, picture, first, end):
    """Resample one frame alone, as `accumulate_rows` does, block rows `first` to `end`.

    `raw` (h, w, C) uint8 or uint16 is the frame or a window of it; `to_raw` takes a pixel
    of `picture` to one of `raw`; `curves` (C, 65536) hold the normalised value by code.
    `picture` (H, W, C) uint16 is written; places beyond `raw` repeat its edge. A block is
    64 x 64 pixels of `picture`.
    """
    height, width, n_channels = raw.shape
    side = 1 << BLOCK_SHIFT
    to16 = np.float32(257 if raw.itemsize == 1 else 1)
    phases = lanczos.shape[0] - 1
    reach = LANCZOS_TAPS // 2
    m = to_raw
    for bi in range(first, end):
        for bj in range((picture.shape[1] + side - 1) >> BLOCK_SHIFT):
            r0, c0 = bi * side, bj * side
            r1, c1 = min(r0 + side, picture.shape[0]), min(c0 + side, picture.shape[1])
            y_low, y_high = np.inf, -np.inf
            for r in (r0, r1 - 1):
                for c in (c0, c1 - 1):
                    d = m[2, 0] * c + m[2, 1] * r + m[2, 2]
                    y = (m[1, 0] * c + m[1, 1] * r + m[1, 2]) / d
                    y_low, y_high = min(y_low, y), max(y_high, y)
            y_low, y_high = max(y_low, 0.0), min(y_high, height - 1.0)
            base = int(np.floor(min(y_low, height - 1.0))) - reach
            n_rows = int(np.floor(max(y_high, 0.0))) + reach + 1 - base
            middle = np.empty((n_rows, c1 - c0, n_channels), np.float32)
            for k in range(n_rows):
                row = min(max(base + k, 0), height - 1)
                ys = float(base + k)
                for c in range(c0, c1):
                    # Output row that meets frame row `ys` in this column.
                    r = (m[1, 0] * c + m[1, 2] - ys * (m[2, 0] * c + m[2, 2])) / (
                        ys * m[2, 1] - m[1, 1]
                    )
                    d = m[2, 0] * c + m[2, 1] * r + m[2, 2]
                    x = (m[0, 0] * c + m[0, 1] * r + m[0, 2]) / d
                    x = min(max(x, 0.0), width - 1.0)
                    j = int(np.floor(x))
                    p = int((x - j) * phases + 0.5)
                    for ch in range(n_channels):
                        v = np.float32(0)
                        lo, hi = np.float32(np.inf), np.float32(-np.inf)
                        for t in range(LANCZOS_TAPS):
                            q = min(max(j + t - (reach - 1), 0), width - 1)
                            u = np.float32(raw[row, q, ch])
                            v += lanczos[p, t] * u
                            if reach - NEAR <= t < reach + NEAR:
                                lo, hi = min(lo, u), max(hi, u)
                        middle[k, c - c0, ch] = min(max(v, lo), hi)
            for r in range(r0, r1):
                for c in range(c0, c1):
                    d = m[2, 0] * c + m[2, 1] * r + m[2, 2]
                    y = (m[1, 0] * c + m[1, 1] * r + m[1, 2]) / d
                    y = min(max(y, 0.0), height - 1.0)
                    i = int(np.floor(y))
                    p = int((y - i) * phases + 0.5)
                    i -= base
                    for ch in range(n_channels):
                        v = np.float32(0)
                        lo, hi = np.float32(np.inf), np.float32(-np.inf)
                        for t in range(LANCZOS_TAPS):
                            u = middle[i + t - (reach - 1), c - c0, ch]
                            v += lanczos[p, t] * u
                            if reach - NEAR <= t < reach + NEAR:
                                lo, hi = min(lo, u), max(hi, u)
                        value = _lookup(curves[ch], min(max(v, lo), hi) * to16)
                        value = min(max(value, np.float32(0)), np.float32(1))
                        picture[r, c, ch] = np.uint16(
                            value * np.float32(65535) + np.float32(0.5)
                        )


@jit
def share_rows(
    depth, confidence, places, n_used, ordinal, sharp, broad, share, first, end
):
    """Share of one frame among all with positive weight, rows `first` to `end`.

    `depth` (H, W) uint16 and `confidence` (H, W) uint8 are maps as written to files;
    `places` (65536,) float32 turns a depth code into a fractional number among the used
    frames. `share` (H, W) float32 is written.
    """
    reach = max(sharp.shape[0], broad.shape[0]) // WEIGHT_STEPS + 1
    none = np.float32(0)
    for r in range(first, end):
        for c in range(depth.shape[1]):
            place = places[depth[r, c]]
            sure = np.float32(confidence[r, c]) * np.float32(1 / 255)
            own = max(_weight(ordinal, place, place, sure, sharp, broad), none)
            if own == none:
                share[r, c] = none
                continue
            total = none
            middle = int(place)
            for k in range(max(middle - reach, 0), min(middle + reach + 2, n_used)):
                total += max(_weight(k, place, place, sure, sharp, broad), none)
            share[r, c] = own / total
