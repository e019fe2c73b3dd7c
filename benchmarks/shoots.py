"""Clean brackets to put faults into: rendered scenes shot in many ways, and folders.

A way of shooting is a word behind the scene's name, as many as wanted: "wires-still",
"macro-portrait-dark". `WAYS` lists them. The scene `seamless` stands beside those of
`benchmarks.scenes`: one small object before a large plain background.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import tifffile

from benchmarks.drawing import inside, plane, rgb, solid, specks, tint
from benchmarks.lens import (
    F32,
    Camera,
    Canvas,
    Layer,
    render_frame,
    steady_camera,
)
from benchmarks.scenes import HEIGHT, SCENES, WIDTH, Scene

__all__ = ["WAYS", "CleanBracket", "folder_bracket", "rendered_bracket"]

FEW_FRAMES, MANY_FRAMES = 5, 40
OTHER_COUNTS = (9, 14, 30)
STRONG_BREATHING = 0.12
DARK = 0.06
JPEG_QUALITY = 92


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanBracket:
    """Frames without noise in linear light, 1.0 = white, and their optics.

    Attributes
    ----------
    read : callable
        Frame `k`, (height, width, 3) float32 array.
    is_grey, is_jpeg : bool
        How the camera delivers them: one channel; 8 bits through a JPEG file.
    """

    name: str
    n_frames: int
    read: Callable[[int], F32]
    focus_mm: Sequence[float]
    focal_length_mm: float
    f_number: float
    width: int
    height: int
    is_grey: bool = False
    is_jpeg: bool = False


# --- ways of shooting ----------------------------------------------------------------


def _with_frames(camera: Camera, n_frames: int) -> Camera:
    """Cover the same depth in other steps; the stand goes on as it began."""
    first, last = 1 / camera.focus_mm[0], 1 / camera.focus_mm[-1]

    def stretched(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.resize(values, (n_frames, *values.shape[1:]))

    return replace(
        camera,
        focus_mm=1 / np.linspace(first, last, n_frames),
        shift_mm=stretched(camera.shift_mm),
        pointing_px=stretched(camera.pointing_px),
        roll_deg=stretched(camera.roll_deg),
    )


def _still(camera: Camera) -> Camera:
    return replace(
        camera,
        shift_mm=0 * camera.shift_mm,
        pointing_px=0 * camera.pointing_px,
        roll_deg=0 * camera.roll_deg,
    )


def _few(camera: Camera) -> Camera:
    """As many frames as a small aperture needs: the blur of a step stays."""
    longer = (camera.n_frames - 1) / (FEW_FRAMES - 1)
    camera = replace(camera, f_number=camera.f_number * longer)
    return _with_frames(camera, FEW_FRAMES)


CAMERA_WAYS: dict[str, Callable[[Camera], Camera]] = {
    "still": _still,
    "fixed": lambda camera: replace(camera, breathing=0.0),
    "strong": lambda camera: replace(camera, breathing=STRONG_BREATHING),
    "few": _few,
    "many": lambda camera: _with_frames(camera, MANY_FRAMES),
    **{
        f"n{n}": lambda camera, n=n: _with_frames(camera, n)  # type: ignore[misc]
        for n in OTHER_COUNTS
    },
    "reversed": lambda camera: replace(
        camera, focus_mm=camera.focus_mm[::-1], breathing=-camera.breathing
    ),
}

FRAME_WAYS: dict[str, Callable[[F32], F32]] = {
    "portrait": lambda frame: np.ascontiguousarray(np.rot90(frame)),
    "dark": lambda frame: frame * np.float32(DARK),
}

WAYS = {
    "still": "a stand that stands still",
    "fixed": "a lens that does not breathe",
    "strong": "a lens that breathes by 12 %",
    "few": "5 frames at a smaller aperture",
    "many": "40 frames",
    **{f"n{n}": f"{n} frames" for n in OTHER_COUNTS},
    "reversed": "from far to near",
    "portrait": "upright format",
    "dark": "four stops too dark",
    "grey": "one channel",
    "jpeg": "8-bit JPEG files",
}


# --- the scenes ----------------------------------------------------------------------


def seamless(rng: np.random.Generator, scale: float = 1.0) -> Scene:
    """Render a small box before a background that is plain over most of the picture."""
    canvas = Canvas(width=round(WIDTH * scale), height=round(HEIGHT * scale))
    w, h = canvas.width, canvas.height
    camera = steady_camera(
        rng, 12, (300.0, 380.0), width=w, height=h, focal_length_mm=80.0,
        f_number=9.0, fx_px=3600.0 * scale, breathing=0.03,
    )  # fmt: skip
    x, y = canvas.pixels()
    rim = np.maximum(np.abs(x - 0.5 * w) - 0.19 * w, np.abs(y - 0.5 * h) - 0.26 * h)
    colour = tint(canvas.shape, rng, (0.45, 0.24, 0.16))
    colour += 0.3 * specks(canvas.shape, rng, int(9000 * scale**2), 14)[..., None]
    box = Layer(
        colour=colour.astype(np.float32),
        opacity=inside(rim.astype(np.float32)),
        # The box spans half of it: 300 to 380 mm.
        nearness=plane(canvas, 433.3, 273.4),
    )
    light = 0.62 + 0.2 * np.cos(x / w * 2.1 - 0.9) * np.cos(y / h * 1.7 - 0.3)
    wall = Layer(
        colour=(light[..., None] * rgb((0.95, 0.97, 1.0))).astype(np.float32),
        opacity=solid(canvas),
        nearness=plane(canvas, 430.0, 430.0),
    )
    return Scene(
        name="seamless", note="a small box before a large plain background",
        camera=camera, canvas=canvas, layers=[box, wall],
    )  # fmt: skip


def rendered_bracket(name: str, *, scale: float, seed: int = 1) -> CleanBracket:
    """Render a scene in the ways that its name says.

    Parameters
    ----------
    name : str
        Scene and ways, "wires-still-portrait".
    scale : float
        1 = 1200 x 800 pixels.
    seed : int
        Of surfaces and movements of the stand.
    """
    scene_name, *ways = name.split("-")
    unknown = set(ways) - set(WAYS)
    if unknown:
        msg = f"{name}: no such way of shooting: {', '.join(sorted(unknown))}"
        raise ValueError(msg)
    make = {**SCENES, "seamless": seamless}[scene_name]
    scene = make(np.random.default_rng(seed), scale)
    # Movements in pixels are those of the scene at full size.
    camera = replace(scene.camera, pointing_px=scene.camera.pointing_px * scale)
    # The number of frames first: movements are laid out over all of them.
    for way in sorted(set(ways) & set(CAMERA_WAYS), key=list(CAMERA_WAYS).index):
        camera = CAMERA_WAYS[way](camera)
    frames: dict[int, F32] = {}

    def read(k: int) -> F32:
        if k not in frames:
            frame = render_frame(camera, scene.layers, scene.canvas, k)
            for way in ways:
                frame = FRAME_WAYS.get(way, lambda same: same)(frame)
            frames[k] = frame
        return frames[k]

    sides = (camera.height, camera.width)
    height, width = sides[::-1] if "portrait" in ways else sides
    return CleanBracket(
        name=name,
        n_frames=camera.n_frames,
        read=read,
        focus_mm=[float(f) for f in camera.focus_mm],
        focal_length_mm=camera.focal_length_mm,
        f_number=camera.f_number,
        width=width,
        height=height,
        is_grey="grey" in ways,
        is_jpeg="jpeg" in ways,
    )


def folder_bracket(folder: Path) -> CleanBracket:
    """Read a folder of clean frames (see `benchmarks.scenes`)."""
    meta = json.loads((folder / "meta.json").read_text(encoding="utf-8"))
    white = np.float32(meta["encoding"]["white"])
    codes = [
        tifffile.imread(folder / f"frame_{k:02d}.tif")
        for k in range(len(meta["frames"]))
    ]
    first = meta["frames"][0]
    return CleanBracket(
        name=meta["scene"],
        n_frames=len(codes),
        read=lambda k: np.asarray(
            (codes[k].astype(np.float32) / white) ** 2, np.float32
        ),
        focus_mm=[f["focus_distance_mm"] for f in meta["frames"]],
        focal_length_mm=first["focal_length_mm"],
        f_number=first["f_number"],
        width=meta["width"],
        height=meta["height"],
    )


def through_jpeg(frame: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    """Save a frame of 8 bits as a JPEG file and read it."""
    quality = [int(cv2.IMWRITE_JPEG_QUALITY), JPEG_QUALITY]
    # OpenCV's order of channels, there and back.
    _, data = cv2.imencode(".jpg", frame[..., ::-1], quality)
    read = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
    return np.ascontiguousarray(read[..., ::-1])
