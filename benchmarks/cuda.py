"""Time on a graphics card: both passes, transfer and decoding apart.

    python -m benchmarks.cuda --megapixels 100 --frames 6 --compare --json cuda.json

Frames are those of `bigframes`, with their known geometry: nothing is registered. Times
are of the wall clock between two waits for the card, so gaps between kernels count as
work of the card; what goes to or from the card is told apart. Kernels are compiled on a
small bracket beforehand. `--compare` fuses the same frames once more on card and
processor, whole (with registration), and tells how far the results are apart.
"""

import argparse
import json
import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from benchmarks.bigframes import known_transforms, write_frames
from stacker.arrays.card import CardPasses
from stacker.compute import fuse_frames
from stacker.frame import FusionResult, Pixels
from stacker.fusion import Unused
from stacker.geometry import HALF_TO_FULL, half_shape
from stacker.light import normalising_table, srgb_transfer
from stacker.settings import FuseSettings
from stacker.sharpness import NoiseModel

Figures = dict[str, Any]


class TimedPasses(CardPasses):
    """A card that keeps book of the seconds spent on transfer, and of all else by name."""

    def __init__(self) -> None:
        super().__init__()
        self.seconds: dict[str, float] = {}
        self.transferred = 0.0

    def _wait(self) -> float:
        self.xp.cuda.Device().synchronize()
        return time.perf_counter()

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Count what is done within, less transfer, as `name`."""
        since, transferred = self._wait(), self.transferred
        yield
        spent = self._wait() - since - (self.transferred - transferred)
        self.seconds[name] = self.seconds.get(name, 0.0) + spent

    @contextmanager
    def _transfer(self, name: str) -> Iterator[None]:
        since = self._wait()
        yield
        spent = self._wait() - since
        self.transferred += spent
        self.seconds[name] = self.seconds.get(name, 0.0) + spent

    def upload(self, array: Any) -> Any:
        """Take an array, on the clock."""
        with self._transfer("upload"):
            return super().upload(array)

    def download(self, array: Any) -> Any:
        """Return an array, on the clock."""
        with self._transfer("download"):
            return super().download(array)


def time_passes(card: TimedPasses, paths: list[Path]) -> dict[str, float]:
    """Both passes over frames whose geometry is known; milliseconds by stage."""
    card.seconds.clear()
    raw = tifffile.imread(paths[0])
    shape, size_wh = raw.shape[:2], (raw.shape[1], raw.shape[0])
    half, table, n = half_shape(shape), srgb_transfer(raw.shape[2]), len(paths)
    to_scene = known_transforms(size_wh, n)
    # The last frame sees least: all others cover its field.
    to_master = [np.linalg.inv(to_scene[-1]) @ t for t in to_scene]
    noise, peaks, seen = NoiseModel(), card.peaks(half), card.seen(half)
    for path, move in zip(paths, to_master, strict=True):
        raw = read(card, path)
        with card.stage("pass 1"):
            energy, luma = card.laplacian_energy(raw)
            card.for_registration(luma, shape)
            samples = card.for_noise(energy), card.for_noise(luma)
            to_frame = np.linalg.inv(HALF_TO_FULL) @ np.linalg.inv(move) @ HALF_TO_FULL
            peaks.add(*card.taken_in(energy, luma, 1.0, to_frame, seen))
        noise.add(*samples)
    floor = noise.finish(table)
    with card.stage("between"):
        found = peaks.finish(card.noise_at(floor, seen.luma))
        index, height = card.warped(found, np.eye(3), half)
        maps = card.focus_maps(index, height, n)
        card.downloaded(maps)
        del peaks, found, index, height, seen
        fusion = card.fusion(raw.shape, maps, to_master, n - 1, Unused())
        fusion.begin(*fusion.bands(1)[0])
    curves = normalising_table(table, np.ones(raw.shape[2]))
    for k, path in enumerate(paths):
        raw = read(card, path)
        with card.stage("pass 2"):
            if fusion.window(k) is not None:
                fusion.add(raw, 0, curves, k)
    with card.stage("finish"):
        fusion.end()
        fusion.finish(card.depth_for_display(maps), range(n), n)
    return {name: 1000 * s for name, s in card.seconds.items()}


def read(card: TimedPasses, path: Path) -> Pixels:
    """Decode a frame, on the clock."""
    since = time.perf_counter()
    raw: Pixels = tifffile.imread(path)
    spent = time.perf_counter() - since
    card.seconds["decode"] = card.seconds.get("decode", 0.0) + spent
    return raw


def per_frame(times_ms: dict[str, float], n: int) -> Figures:
    """Milliseconds a frame; what is done once is shared out among the frames."""
    once = times_ms["between"] + times_ms["finish"]
    passes = times_ms["pass 1"] + times_ms["pass 2"]
    return {
        "device_ms": (passes + once) / n,
        "pass_1_ms": times_ms["pass 1"] / n,
        "pass_2_ms": times_ms["pass 2"] / n,
        "once_ms_in_all": once,
        "upload_ms": times_ms["upload"] / n,
        "download_ms_in_all": times_ms["download"],
        "decode_ms": times_ms["decode"] / n,
    }


def how_far_apart(a: FusionResult, b: FusionResult) -> Figures:
    """Tell how far two fusions of one bracket are apart."""
    codes = np.abs(a.picture.astype(np.int32) - b.picture)
    depth = np.abs(a.depth.astype(np.int32) - b.depth)
    return {
        "picture_codes_quantiles": {
            str(q): float(np.quantile(codes, q)) for q in (0.5, 0.9, 0.99, 0.999)
        },
        "picture_within_2": float((codes <= 2).mean()),
        "picture_within_16": float((codes <= 16).mean()),
        "depth_within_7": float((depth <= 7).mean()),
        "coverage_equal": float((a.coverage == b.coverage).mean()),
        "transform_apart": max(
            float(np.abs(x.transform - y.transform).max())
            for x, y in zip(a.frames, b.frames, strict=True)
        ),
    }


def compared(paths: list[Path]) -> Figures:
    """Fuse whole, on card and processor."""
    frames = [tifffile.imread(p) for p in paths]
    results: list[FusionResult] = []
    figures: Figures = {}
    for device in ("cuda", "cpu"):
        since = time.perf_counter()
        results.append(fuse_frames(frames, FuseSettings(device=device)))
        figures[f"{device}_s_per_frame"] = (time.perf_counter() - since) / len(frames)
        figures[f"{device}_stages_s"] = results[-1].timings_s
    return {**figures, **how_far_apart(*results)}


def main(args: list[str] | None = None) -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Time both passes on a graphics card.")
    parser.add_argument("--megapixels", type=float, default=100)
    parser.add_argument("--frames", type=int, default=6)
    parser.add_argument("--compare", action="store_true")
    parser.add_argument("--work", type=Path, help="folder for the frames")
    parser.add_argument("--json", type=Path)
    given = parser.parse_args(args)
    card = TimedPasses()
    with tempfile.TemporaryDirectory(dir=given.work) as folder:
        time_passes(card, write_frames(Path(folder) / "small", 0.5, 3))
        paths = write_frames(Path(folder), given.megapixels, given.frames)
        time_passes(card, paths)  # memory of the card is asked for once
        times = time_passes(card, paths)
        properties = card.xp.cuda.runtime.getDeviceProperties(0)
        record: Figures = {
            "card": properties["name"].decode(),
            "cores": os.cpu_count(),
            "megapixels": given.megapixels,
            "frames": given.frames,
            **per_frame(times, given.frames),
            "card_bytes": int(card.xp.get_default_memory_pool().total_bytes()),
        }
        card.xp.get_default_memory_pool().free_all_blocks()
        if given.compare:
            record["compared"] = compared(paths)
    text = json.dumps(record, indent=2)
    print(text)
    if given.json:
        given.json.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
