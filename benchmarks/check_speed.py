"""How long `stacker check` takes for each frame, beside decoding alone.

    python -m benchmarks.check_speed WORK_DIR --megapixels 100 --frames 4

Writes frames (uncompressed; and the same with deflate, as PNG and as JPEG), checks them
and decodes them, in turns, and keeps the shortest of several runs. Of uncompressed frames
only a part is read, from the page cache. Seconds a frame, in one process that is warm,
with the judgement of the bracket; processor seconds beside them tell how far a busy
machine was in the way.

Decoding alone is that of the same files by the same decoders, whole, one frame after the
other, as anything that reads frames does it: deflate from all cores, PNG and JPEG from
one, as their decoders are. Decoding two frames at a time, as a check does, is told too.
"""

import argparse
import json
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import tifffile

from benchmarks.bigframes import write_frames
from stacker.checking import check_bracket
from stacker.files import FileSource

FORMATS = ("none", "deflate", "png", "jpeg")


def as_format(paths: Sequence[Path], kind: str) -> list[Path]:
    """Write the frames in another format, where they are not there yet."""
    if kind == "none":
        return list(paths)
    suffix = {"deflate": "tif", "png": "png", "jpeg": "jpg"}[kind]
    out = []
    for path in paths:
        target = path.parent / kind / f"{path.stem}.{suffix}"
        target.parent.mkdir(exist_ok=True)
        out.append(target)
        if target.exists():
            continue
        pixels = tifffile.imread(path)
        if kind == "deflate":
            tifffile.imwrite(
                target,
                pixels,
                photometric="rgb",
                compression="zlib",
                compressionargs={"level": 1},
                predictor=True,
                rowsperstrip=64,
            )
        elif kind == "png":
            cv2.imwrite(str(target), pixels[..., ::-1])
        else:
            cv2.imwrite(str(target), (pixels[..., ::-1] >> 8).astype("uint8"))
    return out


def seconds(
    work: Callable[[], object], n_frames: int, runs: int
) -> tuple[float, float]:
    """Wall and processor seconds a frame, the least of several runs."""
    best = []
    for _ in range(runs):
        wall, cpu = time.perf_counter(), time.process_time()
        work()
        best.append((time.perf_counter() - wall, time.process_time() - cpu))
    return min(w for w, _ in best) / n_frames, min(c for _, c in best) / n_frames


def measure(paths: Sequence[Path], runs: int) -> dict[str, float]:
    """Measure one format."""

    def decode() -> None:
        source = FileSource(paths)
        for k in range(len(paths)):
            source.read(k)

    def decode_in_pairs() -> None:
        source = FileSource(paths)
        with ThreadPoolExecutor(2) as pool:
            for _ in pool.map(lambda k: source.read(k).size, range(len(paths))):
                pass

    decode_s, decode_cpu_s = seconds(decode, len(paths), runs)
    pairs_s, _ = seconds(decode_in_pairs, len(paths), runs)
    check_s, check_cpu_s = seconds(lambda: check_bracket(paths), len(paths), runs)
    return {
        "check_s": check_s,
        "check_cpu_s": check_cpu_s,
        "decode_s": decode_s,
        "decode_cpu_s": decode_cpu_s,
        "decode_in_pairs_s": pairs_s,
        "over_decoding": check_s / decode_s - 1,
    }


def main(argv: Sequence[str] | None = None) -> None:
    """Measure from the command line."""
    parser = argparse.ArgumentParser(description="Speed of stacker check.")
    parser.add_argument("work", type=Path)
    parser.add_argument("--megapixels", type=float, default=100)
    parser.add_argument("--frames", type=int, default=4)
    parser.add_argument("--format", action="append", choices=FORMATS)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args(argv)
    paths = sorted(args.work.glob("big_*.tif"))
    if len(paths) != args.frames:
        paths = write_frames(args.work, args.megapixels, args.frames)
    result = {}
    for kind in args.format or FORMATS:
        told = measure(as_format(paths, kind), args.runs)
        result[kind] = told
        print(
            f"{kind:8s} check {told['check_s']:.3f} s ({told['check_cpu_s']:.3f} s of "
            f"processor), decoding {told['decode_s']:.3f} s "
            f"({told['decode_cpu_s']:.3f} s), {100 * told['over_decoding']:+.0f} %; "
            f"two frames at a time {told['decode_in_pairs_s']:.3f} s"
        )
    if args.json:
        args.json.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
