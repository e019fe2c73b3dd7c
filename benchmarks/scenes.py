"""Synthetic brackets with exact truth: wires, chrome, macro.

    python -m benchmarks.scenes wires OUT_DIR [--scale 0.5] [--seed 1]

Writes clean frames (frame_NN.tif), the all-in-focus picture and depth at twice the
resolution (aif.tif, depth.tif), a class map (class.tif) and the exact geometry of every
frame (meta.json): the folder that `benchmarks.measure` and the scripts beside it read.

- `wires`: thin wires and a slanted needle before a far textured wall, a near board.
- `chrome`: smooth gradients on polished tubes, highlights a hundred times white on small
  spheres, bright edges on dark, a six-bladed aperture.
- `macro`: one to one, thirty frames, blur discs of 24 px from end to end, a continuous
  slanted surface with steps on it.
"""

import argparse
import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import tifffile

from benchmarks.drawing import (
    inside,
    plane,
    rgb,
    rod_shade,
    solid,
    specks,
    stroke,
    tint,
)
from benchmarks.lens import (
    F32,
    Camera,
    Canvas,
    Layer,
    render_frame,
    render_truth,
    steady_camera,
)

WIDTH, HEIGHT = 1200, 800
WHITE_CODE = 4096  # linear = (code / 4096)^2: up to 256 times white in 16 bits
THREADS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A camera, a canvas and the layers on it, from near to far."""

    name: str
    note: str
    camera: Camera
    canvas: Canvas
    layers: list[Layer]


# --- the scenes ----------------------------------------------------------------------


def _canvas(scale: float) -> Canvas:
    return Canvas(width=round(WIDTH * scale), height=round(HEIGHT * scale))


def wires(rng: np.random.Generator, scale: float = 1.0) -> Scene:
    """Thin wires and a needle before a far wall, and a near board."""
    canvas = _canvas(scale)
    w, h = canvas.width, canvas.height
    camera = steady_camera(
        rng, 14, (250.0, 430.0), width=w, height=h, focal_length_mm=50.0,
        f_number=8.0, fx_px=3000.0 * scale, breathing=0.038,
    )  # fmt: skip
    shape = canvas.shape
    layers = []

    def wire(
        a: Any, b: Any, width: float, mm: tuple[float, float], shine: float
    ) -> None:
        p, q = (a[0] * w, a[1] * h), (b[0] * w, b[1] * h)
        rim, across, along = stroke(canvas, p, q, width)
        near = 1 / mm[0] + (1 / mm[1] - 1 / mm[0]) * along
        colour = rod_shade(across, (0.30, 0.24, 0.17), shine)
        layers.append(
            Layer(colour=colour, opacity=inside(rim), nearness=near.astype(np.float32))
        )

    wire((0.10, -0.1), (0.62, 1.1), 3.0, (256, 256), 1.2)
    wire((0.86, -0.1), (0.22, 1.1), 2.0, (268, 268), 0.8)
    wire((-0.1, 0.24), (1.1, 0.40), 1.4, (285, 285), 0.6)
    wire((0.66, 0.62), (0.97, 0.12), 7.0, (272, 408), 2.0)  # a needle going away
    wire((-0.1, 0.52), (1.1, 0.33), 1.0, (318, 318), 0.5)
    board = tint(shape, rng, (0.34, 0.22, 0.12)) * (
        1 - 0.5 * specks(shape, rng, int(9000 * scale**2), 60)[..., None]
    )
    x, y = canvas.pixels()
    card = inside(
        np.maximum(np.abs(x - 0.24 * w) / 0.14, np.abs(y - 0.9 * h) / 0.07) - h
    )
    board = board * (1 - card[..., None]) + card[..., None] * rgb((0.7, 0.68, 0.6))
    edge = inside((0.70 * h + 0.06 * h * np.sin(x / w * 5) - y).astype(np.float32))
    layers.append(
        Layer(colour=board, opacity=edge, nearness=plane(canvas, 560.0, 252.0, 0.03))
    )
    grid = np.maximum(
        np.cos(2 * np.pi * (x + 0.21 * y) / 37), np.cos(2 * np.pi * y / 41)
    )
    mesh = inside(((0.985 - grid) * 36).astype(np.float32))
    mesh *= inside((np.abs(x - 0.72 * w) - 0.2 * w).astype(np.float32))
    layers.append(
        Layer(
            colour=np.full((*shape, 3), 0.75, np.float32),
            opacity=mesh,
            nearness=plane(canvas, 345.0, 345.0),
        )
    )
    wall = tint(shape, rng, (0.30, 0.34, 0.38))
    wall += 0.35 * specks(shape, rng, int(16000 * scale**2), 22)[..., None]
    calm = inside((np.hypot(x - 0.35 * w, y - 0.16 * h) - 0.1 * h).astype(np.float32))
    wall = wall * (1 - calm[..., None]) + calm[..., None] * rgb((0.4, 0.42, 0.38))
    layers.append(
        Layer(colour=wall, opacity=solid(canvas), nearness=plane(canvas, 426.0, 418.0))
    )
    return Scene(
        name="wires", note="wires, a needle and a mesh before a far wall, a near board",
        camera=camera, canvas=canvas, layers=layers,
    )  # fmt: skip


def _balls(
    canvas: Canvas, rng: np.random.Generator, count: int, depth_mm: tuple[float, float]
) -> Layer:
    """Small polished spheres, each at its own depth, with a highlight 100 times white."""
    x, y = canvas.pixels()
    w, h = canvas.width, canvas.height
    rim = np.full(canvas.shape, np.inf, np.float32)
    colour = np.zeros((*canvas.shape, 3), np.float32)
    nearness = np.zeros(canvas.shape, np.float32)
    for i in range(count):
        cx = w * (0.08 + 0.84 * (i + rng.uniform(0.2, 0.8)) / count)
        cy, r = h * rng.uniform(0.55, 0.95), h * rng.uniform(0.012, 0.03)
        d = np.hypot(x - cx, y - cy)
        mine = d - r < rim
        rim[mine] = (d - r)[mine]
        nearness[mine] = 1 / rng.uniform(*depth_mm)
        dome = np.sqrt(np.maximum(1 - (d / r) ** 2, 0))
        tilt = (y - cy) / r
        shade = 0.05 + 0.4 * dome**2 + 0.25 * np.clip(tilt, -1, 1) ** 2
        spot = rng.uniform(0.5, 2.2) * canvas.width / WIDTH  # radius in pixels
        bright = inside((np.hypot(x - cx + 0.3 * r, y - cy + 0.35 * r) - spot) * 0.7)
        ball = shade[..., None] * rgb((0.9, 0.92, 1.0)) + 100 * bright[..., None]
        colour[mine] = ball[mine]
    return Layer(colour=colour, opacity=inside(rim), nearness=nearness, kind=1)


def chrome(rng: np.random.Generator, scale: float = 1.0) -> Scene:
    """Polished tubes, bright edges, small spheres with extreme highlights."""
    canvas = _canvas(scale)
    w, h = canvas.width, canvas.height
    camera = steady_camera(
        rng, 12, (262.0, 400.0), width=w, height=h, focal_length_mm=50.0,
        f_number=9.0, fx_px=2900.0 * scale, breathing=0.036, blades=6,
    )  # fmt: skip
    x, _ = canvas.pixels()
    layers = [_balls(canvas, rng, 9, (266.0, 285.0))]
    tubes = (
        (0.17, 0.13, (268.0, 300.0), 6.0),
        (0.47, 0.16, (318.0, 318.0), 3.0),
        (0.80, 0.10, (372.0, 350.0), 12.0),
    )
    for at, width, mm, shine in tubes:
        rim, across, along = stroke(
            canvas, (at * w, -0.2 * h), ((at + 0.05) * w, 1.2 * h), width * w
        )
        dark = 0.10 + 0.55 * np.exp(-(((across - 0.4) / 0.35) ** 2))
        line = shine * np.exp(-(((across + 0.45) / 0.05) ** 2))
        edge = 0.8 * np.exp(-(((np.abs(across) - 0.93) / 0.05) ** 2))
        tone = (dark + line + edge)[..., None] * rgb((0.93, 0.95, 1.0))
        # engraved rings: the only texture that tells the depth
        ring = (
            np.cos(2 * np.pi * (along * 1.4 * h + 9 * across**2) / (0.055 * h)) > 0.93
        )
        soft = cv2.GaussianBlur(ring.astype(np.float32), (0, 0), 0.8)
        near = 1 / mm[0] + (1 / mm[1] - 1 / mm[0]) * along
        layers.append(
            Layer(
                colour=(tone * (1 - 0.7 * soft[..., None])).astype(np.float32),
                opacity=inside(rim),
                nearness=near.astype(np.float32),
                kind=1,
            )
        )
        layers.append(_balls(canvas, rng, 7, (mm[1] + 4, mm[1] + 20)))
    lines = np.zeros(canvas.shape, np.float32)
    for at, slant, width in ((0.1, 0.1, 1.2), (0.3, -0.13, 2.5), (0.62, 0.07, 0.7)):
        a, b = (-0.1 * w, at * h), (1.1 * w, (at + slant) * h)
        lines = np.maximum(lines, inside(stroke(canvas, a, b, width)[0]))
    back = 0.012 * tint(canvas.shape, rng, (0.9, 0.9, 1.0))
    half = inside((x - 0.6 * w).astype(np.float32))[..., None]
    back = back * half + 0.012 * (1 - half)  # right part: dark and quite smooth
    back += lines[..., None] * rgb((4.0, 3.6, 3.0))
    layers.append(
        Layer(
            colour=back.astype(np.float32),
            opacity=solid(canvas),
            nearness=plane(canvas, 397.0, 384.0),
        )
    )
    return Scene(
        name="chrome", note="polished tubes, extreme highlights, bright edges on dark",
        camera=camera, canvas=canvas, layers=layers,
    )  # fmt: skip


def macro(rng: np.random.Generator, scale: float = 1.0) -> Scene:
    """One to one: a slanted grainy surface with three raised parts."""
    canvas = _canvas(scale)
    w, h = canvas.width, canvas.height
    camera = steady_camera(
        rng, 30, (197.3, 202.7), width=w, height=h, focal_length_mm=100.0,
        f_number=5.6, fx_px=10000.0 * scale, breathing=0.03,
    )  # fmt: skip
    x, y = canvas.pixels()
    shape = canvas.shape
    ground = plane(canvas, 202.4, 198.4, 0.002)
    layers = []
    # (centre, half size, metal?) in fractions; each part stands `rise_mm` above ground
    disc = (np.hypot(x - 0.3 * w, y - 0.45 * h) - 0.22 * h).astype(np.float32)
    slab_x, slab_y = np.abs(x - 0.74 * w + 0.2 * y) - 0.13 * w, np.abs(y - 0.62 * h)
    slab = np.maximum(slab_x, slab_y - 0.24 * h).astype(np.float32)
    chip = (np.hypot(x - 0.62 * w, (y - 0.14 * h) * 1.6) - 0.1 * h).astype(np.float32)
    parts = (
        (slab, 1.0, (0.55, 0.5, 0.42)),
        (disc, 0.6, (0.45, 0.30, 0.14)),
        (chip, 1.7, (0.12, 0.2, 0.3)),
    )
    for rim, rise_mm, tone in parts:
        near = 1 / (1 / ground - rise_mm)
        colour = tint(shape, rng, tone)
        colour *= 1 - 0.5 * specks(shape, rng, int(6000 * scale**2), 18)[..., None]
        rings = 0.5 + 0.5 * np.tanh(3 * np.cos(rim / 3.1))  # machined relief
        colour *= (0.75 + 0.25 * rings)[..., None]
        layers.append(
            Layer(
                colour=colour.astype(np.float32),
                opacity=inside(rim),
                nearness=near.astype(np.float32),
            )
        )
    colour = tint(shape, rng, (0.4, 0.38, 0.36))
    colour += 0.3 * specks(shape, rng, int(14000 * scale**2), 9)[..., None]
    calm = inside((np.hypot(x - 0.1 * w, y - 0.85 * h) - 0.1 * h).astype(np.float32))
    colour = colour * (1 - calm[..., None]) + 0.42 * calm[..., None]
    layers.append(
        Layer(colour=colour.astype(np.float32), opacity=solid(canvas), nearness=ground)
    )
    return Scene(
        name="macro", note="one to one, a slanted surface with raised parts",
        camera=camera, canvas=canvas, layers=layers,
    )  # fmt: skip


SCENES: dict[str, Callable[[np.random.Generator, float], Scene]] = {
    "wires": wires,
    "chrome": chrome,
    "macro": macro,
}


# --- writing -------------------------------------------------------------------------


def encode_linear(linear: F32) -> npt.NDArray[np.uint16]:
    """Square-root code of linear light, as meta.json's `encoding` says."""
    code = np.rint(np.sqrt(np.maximum(linear, 0)) * WHITE_CODE)
    return np.asarray(np.clip(code, 0, 65535), np.uint16)


def _write(path: Path, array: np.ndarray[Any, Any]) -> None:
    tifffile.imwrite(path, array, compression="zstd", predictor=True, metadata=None)


def write_scene(scene: Scene, folder: Path) -> None:
    """Render a scene and write frames, truth and meta.json into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    cam = scene.camera

    def one(k: int) -> None:
        frame = render_frame(cam, scene.layers, scene.canvas, k)
        _write(folder / f"frame_{k:02d}.tif", encode_linear(frame))

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(one, range(cam.n_frames)))
    truth = render_truth(cam, scene.layers, scene.canvas)
    _write(folder / "aif.tif", encode_linear(truth.picture))
    _write(folder / "depth.tif", truth.depth_mm)
    _write(folder / "class.tif", truth.kind)
    meta = {
        "scene": scene.name,
        "note": scene.note,
        "units": "mm",
        "width": cam.width,
        "height": cam.height,
        "middle": cam.middle,
        "gt_scale": 2,
        "encoding": {"kind": "sqrt", "white": WHITE_CODE},
        "breathing": cam.breathing,
        "depth_min_mm": float(truth.depth_mm.min()),
        "depth_max_mm": float(truth.depth_mm.max()),
        "frames": [
            {
                "index": k,
                "focus_distance_mm": float(cam.focus_mm[k]),
                "f_number": cam.f_number,
                "focal_length_mm": cam.focal_length_mm,
                "fx": cam.fx_of(k),
                "H_to_middle": cam.to_middle(k).tolist(),
                "largest_blur_px": max(
                    cam.blur_px(k, float(truth.depth_mm.min())),
                    cam.blur_px(k, float(truth.depth_mm.max())),
                ),
            }
            for k in range(cam.n_frames)
        ],
    }
    (folder / "meta.json").write_text(json.dumps(meta, indent=1) + "\n")


def main() -> None:
    """Render one scene from the command line."""
    parser = argparse.ArgumentParser(description="Render a synthetic focus bracket.")
    parser.add_argument("scene", choices=sorted(SCENES))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--scale", type=float, default=1.0, help="1 = 1200 x 800")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    scene = SCENES[args.scene](np.random.default_rng(args.seed), args.scale)
    write_scene(scene, args.folder)


if __name__ == "__main__":
    main()
