"""Dust on the sensor: what stays on the same pixels while the picture moves over them.

Breathing moves the picture by several pixels over a bracket, and more towards its
borders. A speck then shades other parts of the scene in every frame, while the scene,
brought together from all frames, knows nothing of it.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.frame import Box, Finding, ImageF32
from stacker.geometry import at_level
from stacker.inspection.advice import percent
from stacker.inspection.reading import Reading, clusters
from stacker.survey import BracketFacts

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
    # Light of each frame as a logarithm, by a table: luma has 16 bits at most.
    logs = np.log(np.maximum(facts.table.mean(axis=0), DARKEST_LIGHT))
    last = len(logs) - 1
    light = []
    for frame in some:
        code = (np.clip(frame.luma.astype(np.float32), 0, 1) * last).astype(np.uint16)
        light.append((logs[code] - np.log(frame.gain.mean())).astype(np.float32))
    to_first = [at_level(f.to_first, facts.shape, shape) for f in some]
    scene, is_whole = _scene(light, to_first)
    rests = []
    for plane, matrix in zip(light, to_first, strict=True):
        expected = _opencv.warp_linear(scene, matrix, shape)
        rest = _opencv.gaussian_blur(plane - expected, SMOOTH_SIGMA)
        known = _opencv.warp_linear(is_whole, matrix, shape, outside=0.0)
        rests.append(np.where(known > 0.99, rest, 0))
    rest_of_all = np.stack(rests)
    shade = _median(rest_of_all)
    local = shade - _opencv.gaussian_blur(shade, AROUND_SIGMA)
    busy = _opencv.gaussian_blur(np.minimum(local**2, MOST_ACTIVITY**2), ACTIVITY_SIGMA)
    half = np.count_nonzero(rest_of_all < 0.5 * shade, axis=0)
    stays = half >= CONSTANT_SHARE * len(some)
    is_dust = stays & (local < -LEAST_SHADE) & (local < -ABOVE_ACTIVITY * np.sqrt(busy))
    is_dust &= _motion(to_first, shape) > LEAST_MOTION_PX
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
    """Median over the first axis; a whole sort is four times faster than `np.median`."""
    ranked = np.sort(stack, axis=0)
    n = len(stack)
    return np.asarray((ranked[(n - 1) // 2] + ranked[n // 2]) / 2, np.float32)


def _motion(
    to_first: list[npt.NDArray[np.float64]], shape: tuple[int, ...]
) -> npt.NDArray[np.float64]:
    """How far the scene moves over each pixel of the sensor during the bracket."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    places = []
    for matrix in (to_first[0], to_first[-1], to_first[len(to_first) // 2]):
        m = matrix.astype(np.float32)
        w = m[2, 0] * x + m[2, 1] * y + m[2, 2]
        places.append(
            (
                (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / w,
                (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / w,
            )
        )
    return np.asarray(
        np.hypot(*(np.ptp(axis, axis=0) for axis in zip(*places, strict=True)))
    )


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
