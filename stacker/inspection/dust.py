"""Dust on the sensor: what stays on the same pixels while the picture moves over them.

Breathing moves the picture by several pixels over a bracket, and more towards its
borders. A speck then shades other parts of the scene in every frame, while the scene,
brought together from all frames, knows nothing of it.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.frame import Box, Finding, ImageF32
from stacker.geometry import at_level
from stacker.inspection.advice import percent
from stacker.inspection.reading import Reading, clusters
from stacker.survey import BracketFacts, FrameFacts

__all__ = ["Speck", "dust_on_sensor", "find_specks"]

# More frames than this add time and nothing else.
MOST_FRAMES, FEWEST_FRAMES = 16, 5
# A speck is told from the scene where that moves by more than this, in thumbnail pixels.
LEAST_MOTION_PX = 3.0
# Blur against noise, and the surroundings that a speck is compared with.
SMOOTH_SIGMA, AROUND_SIGMA, ACTIVITY_SIGMA = 1.2, 8.0, 12.0
# Shading, as a logarithm of light, that is seen; and against the activity around it.
LEAST_SHADE, ABOVE_ACTIVITY = 0.03, 4.0
# Busy places count as no busier than this: dust itself makes its place busy.
MOST_ACTIVITY = 0.06
# Where light changes by more than this from pixel to pixel, as a logarithm, what lies
# beside a speck passes for it (specks found: below 0.15; rims of highlights: 0.5 to 0.8).
STEEPEST = 0.25
# At least so many of the frames must show at least half of it.
CONSTANT_SHARE = 0.85
SMALLEST_PX = 6
# A disc fills 0.79 of its box.
LEAST_FILL, LONGEST = 0.5, 2.5
DARKEST_LIGHT = 2e-3
NAMED_SPECKS = 8
# Of all frames: they stay in the processor's cache.
ROWS_AT_A_TIME = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Speck:
    """One speck of dust.

    Attributes
    ----------
    x, y : float
        Its centre, in pixels of every frame (full size).
    radius_px : float
        Of a disc of its area.
    shade : float
        Part of the light that it takes where it is darkest, 0..1.
    """

    x: float
    y: float
    radius_px: float
    shade: float


def find_specks(facts: BracketFacts) -> tuple[Speck, ...]:
    """Find dust by what all frames have in common on the sensor, darkest first.

    In the middle of the picture, where breathing moves nothing, dust cannot be told
    from the scene; nor within strong texture.
    """
    frames = facts.frames
    if len(frames) < FEWEST_FRAMES:
        return ()
    chosen = np.linspace(0, len(frames) - 1, min(len(frames), MOST_FRAMES)).round()
    some = [frames[int(k)] for k in chosen]
    shape = some[0].luma.shape
    to_first = [at_level(f.to_first, facts.shape, shape) for f in some]
    corners = np.array([(y, x) for y in (0, shape[0]) for x in (0, shape[1])])
    if _motion(to_first, corners).max() <= LEAST_MOTION_PX:
        return ()
    logs = _logs_of_light(facts)
    light = [_log_light(f, logs) for f in some]
    scene, is_whole = _scene(light, to_first)
    rest_of_all = np.empty((len(some), *shape), np.float32)
    for k, matrix in enumerate(to_first):
        expected = _opencv.warp_linear(scene, matrix, shape)
        rest = _opencv.gaussian_blur(light[k] - expected, SMOOTH_SIGMA)
        known = _opencv.warp_linear(is_whole, matrix, shape, outside=0.0)
        rest_of_all[k] = np.where(known > 0.99, rest, 0)
    shade = _median(rest_of_all)
    local = shade - _opencv.gaussian_blur(shade, AROUND_SIGMA)
    busy = _opencv.gaussian_blur(np.minimum(local**2, MOST_ACTIVITY**2), ACTIVITY_SIGMA)
    half = np.count_nonzero(rest_of_all < 0.5 * shade, axis=0)
    stays = half >= CONSTANT_SHARE * len(some)
    is_dust = stays & (local < -LEAST_SHADE) & (local < -ABOVE_ACTIVITY * np.sqrt(busy))
    places = np.argwhere(is_dust)
    is_dust[tuple(places.T)] = _motion(to_first, places) > LEAST_MOTION_PX
    steep = np.hypot(*np.gradient(scene))
    scale = facts.shape[1] / shape[1]
    found = []
    for group in clusters(is_dust):
        if not _is_round(group) or steep[group[:, 0], group[:, 1]].mean() > STEEPEST:
            continue
        y, x = group.mean(axis=0)
        deepest = float(local[group[:, 0], group[:, 1]].min())
        found.append(
            Speck(
                x=(x + 0.5) * scale - 0.5,
                y=(y + 0.5) * scale - 0.5,
                radius_px=float(np.sqrt(len(group) / np.pi)) * scale,
                shade=1 - float(np.exp(deepest)),
            )
        )
    return tuple(sorted(found, key=lambda s: -s.shade))


def _is_round(group: npt.NDArray[np.int64]) -> bool:
    """Tell a speck from the edge of something, and from noise."""
    height, width = np.ptp(group, axis=0) + 1
    is_full = len(group) > LEAST_FILL * height * width
    longer = max(height, width) / min(height, width)
    return len(group) >= SMALLEST_PX and is_full and bool(longer < LONGEST)


def _logs_of_light(facts: BracketFacts) -> ImageF32:
    """Logarithm of light by the bits of a luma in half precision, (1, 65536)."""
    luma = np.nan_to_num(np.arange(1 << 16, dtype=np.uint16).view(np.float16))
    code = np.clip(luma.astype(np.float32), 0, 1) * (facts.table.shape[1] - 1)
    light = np.maximum(facts.table.mean(axis=0), DARKEST_LIGHT)
    logs: ImageF32 = np.log(light)[code.astype(np.uint16)].astype(np.float32)
    return logs[None]


def _log_light(frame: FrameFacts, logs: ImageF32) -> ImageF32:
    """Logarithm of a frame's light, brought to that of the first frame."""
    bits = frame.luma.view(np.uint16)[..., None]
    return _opencv.look_up(bits, logs)[..., 0] - np.float32(np.log(frame.gain.mean()))


def _scene(
    light: list[ImageF32], to_first: list[npt.NDArray[np.float64]]
) -> tuple[ImageF32, ImageF32]:
    """Scene without dust, and where all frames see it (1) or not (0)."""
    shape = light[0].shape
    whole = np.ones(shape, np.float32)
    moved = []
    ones = np.ones(shape, np.float32)
    for plane, matrix in zip(light, to_first, strict=True):
        back = np.asarray(np.linalg.inv(matrix), np.float64)
        moved.append(_opencv.warp_linear(plane, back, shape))
        whole = np.minimum(whole, _opencv.warp_linear(ones, back, shape, outside=0.0))
    return _median(np.stack(moved)), (whole > 0.99).astype(np.float32)


def _median(stack: ImageF32) -> ImageF32:
    """Median over the first axis, whole rows of pixels at a time.

    Twice to ten times as fast as sorting each pixel's few values by themselves.
    """
    n = len(stack)
    out = np.empty(stack.shape[1:], np.float32)
    for top in range(0, stack.shape[1], ROWS_AT_A_TIME):
        rows = slice(top, top + ROWS_AT_A_TIME)
        planes = list(stack[:, rows].copy())
        lower = np.empty_like(planes[0])
        for i, j in _comparisons(n):
            np.minimum(planes[i], planes[j], out=lower)
            np.maximum(planes[i], planes[j], out=planes[j])
            planes[i], lower = lower, planes[i]
        out[rows] = (planes[(n - 1) // 2] + planes[n // 2]) / 2
    return out


@lru_cache
def _comparisons(n: int) -> tuple[tuple[int, int], ...]:
    """List what to compare and exchange, in turn, to sort `n` values.

    References
    ----------
    Knuth, D. E. (1998), The Art of Computer Programming 3, 5.2.2, algorithm M: Batcher's
    merge exchange.
    """
    found = []
    highest = 1 << max(n - 1, 1).bit_length() - 1
    p = highest
    while p:
        q, r, d = highest, 0, p
        while d:
            found += [(i, i + d) for i in range(n - d) if i & p == r]
            d, q, r = q - p, q >> 1, p
        p >>= 1
    return tuple(found)


def _motion(
    to_first: list[npt.NDArray[np.float64]], places: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64]:
    """How far the scene moves over places (m, 2) of the sensor during the bracket."""
    ends = np.stack([to_first[0], to_first[-1], to_first[len(to_first) // 2]])
    y, x = places.T.astype(float)
    moved = np.einsum("kij,jm->kim", ends, np.stack([x, y, np.ones_like(x)]))
    return np.asarray(np.hypot(*np.ptp(moved[:, :2] / moved[:, 2:], axis=0)))


def dust_on_sensor(r: Reading) -> list[Finding]:
    """Report specks of dust with their places."""
    specks = find_specks(r.facts)
    if not specks:
        return []
    height, width = r.facts.shape
    first = specks[0]
    side = max(1, round(2 * first.radius_px))
    box = Box(
        row=int(np.clip(first.y - side / 2, 0, height - 1)),
        column=int(np.clip(first.x - side / 2, 0, width - 1)),
        height=min(side, height),
        width=min(side, width),
    )
    places = ", ".join(
        f"x {s.x:.0f} y {s.y:.0f} ({percent(s.shade)})" for s in specks[:NAMED_SPECKS]
    )
    more = len(specks) - NAMED_SPECKS
    return [
        Finding(
            code="dust",
            message=f"Dust on the sensor, {len(specks)} "
            f"{'speck' if len(specks) == 1 else 'specks'} (light lost): {places}"
            f"{f' and {more} more' if more > 0 else ''}.",
            severity="look",
            frames=tuple(f.number for f in r.facts.frames),
            region=box,
            action="Clean the sensor; look at these places in the master.",
        )
    ]
