"""Drawing surfaces for synthetic scenes: textures, shapes and shades in linear light.

Textures are procedural (1/f noise, grain, strokes); shapes are antialiased opacities on
a canvas of half-pixel texels.
"""

import cv2
import numpy as np

from benchmarks.lens import F32, Canvas

Rgb = tuple[float, float, float]


def rgb(colour: Rgb) -> F32:
    """Linear colour as a (3,) float32 array."""
    return np.array(colour, np.float32)


def cloud(shape: tuple[int, int], rng: np.random.Generator, slope: float = 1.2) -> F32:
    """1/f noise, mean 0, standard deviation 1: amplitude falls as frequency^-slope."""
    fy = np.fft.fftfreq(shape[0])[:, None]
    fx = np.fft.rfftfreq(shape[1])[None]
    radius = np.hypot(fy, fx)
    radius[0, 0] = np.inf
    phase = np.exp(2j * np.pi * rng.random(radius.shape))
    # the last factor keeps the finest frequencies of the texel grid out
    noise = np.fft.irfft2(phase * radius**-slope * np.exp(-6 * radius**2), s=shape)
    return np.asarray(noise / noise.std(), np.float32)


def tint(shape: tuple[int, int], rng: np.random.Generator, colour: Rgb) -> F32:
    """Natural-looking surface: coarse shade and hue, fine detail, in linear light."""
    shade = cloud(shape, rng)
    fine = cloud(shape, rng, 0.5)
    small = (shape[0] // 8, shape[1] // 8)
    coarse = np.dstack([cloud(small, rng, 1.5) for _ in range(3)])
    hue = cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC)
    log = 0.22 * shade[..., None] + 0.16 * fine[..., None] + 0.03 * hue
    out = rgb(colour) * np.exp(log)
    return np.asarray(np.clip(out, 0.004, 1.05), np.float32)


def specks(
    shape: tuple[int, int], rng: np.random.Generator, count: int, length: float
) -> F32:
    """Antialiased short strokes, 0..1: grain, fibres, scratches."""
    out = np.zeros(shape, np.uint8)
    ends = rng.uniform((0, 0), shape[::-1], (count, 2))
    angle = rng.uniform(0, np.pi, count)
    reach = length * rng.uniform(0.3, 1.0, count)
    far = ends + np.column_stack([np.cos(angle), np.sin(angle)]) * reach[:, None]
    fixed = 4  # fractional bits of cv2's drawing
    for a, b, level in zip(ends, far, rng.integers(90, 255, count), strict=True):
        p = tuple(round(v * 2**fixed) for v in a)
        q = tuple(round(v * 2**fixed) for v in b)
        cv2.line(out, p, q, int(level), int(rng.integers(1, 3)), cv2.LINE_AA, fixed)
    soft = cv2.GaussianBlur(out, (0, 0), 0.7)
    return np.asarray(soft, np.float32) / np.float32(255)


def plane(canvas: Canvas, top_mm: float, bottom_mm: float, tilt: float = 0.0) -> F32:
    """Nearness of a slanted plane from the frame's top row to its bottom row.

    A plane's nearness is linear in the picture (pinhole projection); `tilt` is its
    relative change from left to right.
    """
    x, y = canvas.pixels()
    q0, q1 = 1 / top_mm, 1 / bottom_mm
    down = q0 + (q1 - q0) * y / (canvas.height - 1)
    return np.asarray(down * (1 + tilt * (x / (canvas.width - 1) - 0.5)), np.float32)


def inside(distance_px: F32) -> F32:
    """Opacity of a shape from its signed distance (negative inside), antialiased."""
    return np.asarray(np.clip(0.5 - 2 * distance_px, 0, 1), np.float32)


def stroke(
    canvas: Canvas, a: tuple[float, float], b: tuple[float, float], width_px: float
) -> tuple[F32, F32, F32]:
    """Distance to a stroke's rim, place across (-1..1) and along it (0..1)."""
    x, y = canvas.pixels()
    d = np.array(b, np.float32) - np.array(a, np.float32)
    length = np.float32(np.hypot(*d))
    u, v = (x - a[0]) / length, (y - a[1]) / length
    along = (u * d[0] + v * d[1]) / length
    across = u * d[1] - v * d[0]
    beyond = np.maximum(np.abs(along - 0.5) - 0.5, 0) * length
    rim = np.hypot(across, beyond) - width_px / 2
    return rim, np.clip(across / (width_px / 2), -1, 1), np.clip(along, 0, 1)


def rod_shade(across: F32, colour: Rgb, shine: float) -> F32:
    """Shade a polished round rod under a strip light, from the place across it."""
    body = 0.25 + 0.75 * np.sqrt(np.maximum(1 - across**2, 0))
    line = shine * np.exp(-(((across + 0.35) / 0.16) ** 2))
    return np.asarray(body[..., None] * rgb(colour) + line[..., None], np.float32)


def solid(canvas: Canvas) -> F32:
    """Opacity 1 everywhere."""
    return np.ones(canvas.shape, np.float32)
