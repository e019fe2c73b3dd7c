"""Large synthetic frames for timing: sharp detail everywhere, known breathing and light.

    python -m benchmarks.bigframes FOLDER --megapixels 24 --frames 12

The sample's all-in-focus picture is tiled (mirrored, so that no seam shows); each frame
is sharp in its own band of rows and blurred with the distance from it, grows with its
number, and has its own shift and noise: every frame has work to do.
"""

import argparse
import json
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import tifffile

from benchmarks.brackets import SAMPLE
from benchmarks.lens import F32, F64

ASPECT = 4 / 3
BREATHING = 0.03  # growth from the first frame to the last
SHIFT_PX = 3.0
NOISE_CODES = 250.0  # of 65535, about that of the sample in the middle tones
BLUR_SIGMA_PX = (0.0, 1.5, 4.0)  # for none, one and two or more frames off
STRIP_ROWS = 256


def frame_size(megapixels: float) -> tuple[int, int]:
    """Width and height of a 4:3 frame of so many megapixels."""
    height = round((megapixels * 1e6 / ASPECT) ** 0.5)
    return round(height * ASPECT), height


def known_transforms(size_wh: tuple[int, int], n_frames: int) -> list[F64]:
    """Frame pixels to scene pixels: growth about the centre, and a small shift."""
    rng = np.random.default_rng(8)
    cx, cy = (size_wh[0] - 1) / 2, (size_wh[1] - 1) / 2
    out = []
    for k in range(n_frames):
        scale = 1 / (1 + BREATHING * k / max(n_frames - 1, 1))
        dx, dy = SHIFT_PX * rng.uniform(-1, 1, 2)
        move = [[scale, 0, cx * (1 - scale) + dx], [0, scale, cy * (1 - scale) + dy]]
        out.append(np.array([*move, [0, 0, 1.0]]))
    return out


def _tiles() -> list[F32]:
    """Make the tile and its blurred versions: (h, w, 3) float32, periodic, 16-bit codes."""
    picture = tifffile.imread(SAMPLE / "truth" / "all_in_focus.tif").astype(np.float32)
    wide = np.hstack([picture, picture[:, ::-1]])
    tile = np.vstack([wide, wide[::-1]])
    out = [tile]
    for sigma in BLUR_SIGMA_PX[1:]:
        m = round(4 * sigma)
        padded = np.pad(tile, ((m, m), (m, m), (0, 0)), mode="wrap")
        blurred = cv2.GaussianBlur(padded, (0, 0), sigma)[m:-m, m:-m]
        out.append(np.asarray(blurred, np.float32))
    return out


def _strip(tiles: list[F32], rows: npt.NDArray[np.int64], width: int, off: F32) -> F32:
    """Scene rows, each blurred by how far it is off focus (in frames)."""
    h, w = tiles[0].shape[:2]
    columns = np.arange(-2, width + 2) % w
    parts = [t[rows % h][:, columns] for t in tiles]
    level = np.clip(off, 0, len(tiles) - 1)[:, None, None]
    out = parts[0] * np.maximum(1 - level, 0)
    for i, part in enumerate(parts[1:], start=1):
        out += part * np.maximum(1 - np.abs(level - i), 0)
    return np.asarray(out, np.float32)


def _write_frame(
    path: Path,
    k: int,
    n_frames: int,
    matrix: F64,
    size_wh: tuple[int, int],
    tiles: list[F32],
) -> None:
    width, height = size_wh
    out = tifffile.memmap(
        path, shape=(height, width, 3), dtype=np.uint16, photometric="rgb",
        metadata=None, datetime=f"2025:03:14 11:{k // 60:02d}:{k % 60:02d}",
    )  # fmt: skip
    rng = np.random.default_rng((9, k))
    for top in range(0, height, STRIP_ROWS):
        bottom = min(top + STRIP_ROWS, height)
        first = int(np.floor(matrix[1, 1] * top + matrix[1, 2])) - 3
        last = int(np.ceil(matrix[1, 1] * bottom + matrix[1, 2])) + 3
        rows = np.arange(first, last + 1)
        off = np.abs(rows / height * (n_frames - 1) - k).astype(np.float32)
        scene = _strip(tiles, rows, width, off)
        # output (x, y) in the strip -> scene row and column in `scene`
        local = matrix[:2].copy()
        local[:, 2] += matrix[:2, 1] * top - np.array([-2, first])
        warped = cv2.warpAffine(
            scene, local, (width, bottom - top),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip
        grain = rng.standard_normal(warped.shape, dtype=np.float32)
        code = np.clip(warped + NOISE_CODES * grain, 0, 65535)
        out[top:bottom] = code.astype(np.uint16)
    out.flush()


def write_frames(folder: Path, megapixels: float, n_frames: int) -> list[Path]:
    """Write a bracket of uncompressed 16-bit RGB TIFFs and geometry.json.

    Memory stays at a strip of rows for each core, whatever the size.
    """
    folder.mkdir(parents=True, exist_ok=True)
    size_wh = frame_size(megapixels)
    tiles = _tiles()
    transforms = known_transforms(size_wh, n_frames)
    paths = [folder / f"big_{k:03d}.tif" for k in range(n_frames)]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        jobs = [
            pool.submit(_write_frame, path, k, n_frames, matrix, size_wh, tiles)
            for k, (path, matrix) in enumerate(zip(paths, transforms, strict=True))
        ]
        for job in jobs:
            job.result()
    record = {"to_scene": [t.tolist() for t in transforms]}
    (folder / "geometry.json").write_text(json.dumps(record) + "\n", encoding="utf-8")
    return paths


def main() -> None:
    """Write one bracket from the command line."""
    parser = argparse.ArgumentParser(description="Write large frames for timing.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--frames", type=int, default=12)
    args = parser.parse_args()
    write_frames(args.folder, args.megapixels, args.frames)


if __name__ == "__main__":
    main()
