"""Wall time, processor time and peak memory of a fusion, beside the plain OpenCV ways.

    python -m benchmarks.speed --megapixels 6 24 --frames 12 --json out.json
    python -m benchmarks.speed --megapixels 100 --frames 30 --methods ours pyramid

Every method runs in a process of its own on the same uncompressed frames; its peak is
what it reads of itself at its end (what the system tells of a child holds its parent's
memory too). With six runs or more of a method, time is fitted as linear in megapixels and
in frames, and the worst distance printed.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.bigframes import write_frames

METHODS = ("ours", "pyramid", "mertens")
# float32 frames held and what OpenCV's merging keeps of each (measured: 24 MP)
MERTENS_BYTES_PER_PX = 40
KIB = 1024
# The fit has four unknowns.
FEWEST_TO_FIT = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One measured process."""

    method: str
    megapixels: float
    frames: int
    wall_s: float
    cpu_s: float
    peak_bytes: int
    stages_s: dict[str, float] = field(default_factory=dict)

    @property
    def per_frame_s(self) -> float:
        """Wall time by frame."""
        return self.wall_s / self.frames


def measure(command: Sequence[str]) -> tuple[str, float, float]:
    """Run a child: its standard output, wall and processor seconds (Linux)."""
    with tempfile.TemporaryFile() as out:
        start = time.perf_counter()
        child = subprocess.Popen(list(command), stdout=out)  # noqa: S603 - our own commands
        _, status, usage = os.wait4(child.pid, 0)
        wall = time.perf_counter() - start
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        text = out.read().decode()
    if child.returncode:
        raise subprocess.CalledProcessError(child.returncode, list(command), text)
    return text, wall, usage.ru_utime + usage.ru_stime


def run_one(
    method: str, frames: list[Path], out: Path, megapixels: float, extra: list[str]
) -> Run:
    """Fuse the frames with one method in a child process and measure it."""
    names = [str(p) for p in frames]
    if method == "ours":
        command = [
            sys.executable,
            "-m",
            "stacker",
            "fuse",
            *names,
            "--output",
            str(out),
        ]
        command += ["--overwrite", "--json", "-q", *extra]
    else:
        command = [sys.executable, "-m", "benchmarks.plain", method, str(out), *names]
    text, wall, cpu = measure(command)
    told = json.loads(text)
    return Run(
        method=method, megapixels=megapixels, frames=len(frames), wall_s=wall, cpu_s=cpu,
        peak_bytes=told["peak_memory_bytes"], stages_s=told["timings_s"],
    )  # fmt: skip


def warm_up(work: Path) -> None:
    """Fuse a tiny bracket once, so that no run pays for compiling or first imports."""
    folder = work / "warm"
    frames = write_frames(folder, 0.1, 2)
    for method in METHODS:
        run_one(method, frames, folder / "fused.tif", 0.1, [])


def available_bytes() -> int:
    """Memory that the system could give now (Linux)."""
    for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
        if line.startswith("MemAvailable:"):
            return int(line.split()[1]) * KIB
    return sys.maxsize


def fit_plane(runs: Sequence[Run]) -> dict[str, float]:
    """Wall time as a part that is always there, one by megapixel, frame and both.

    Fitted by relative distance.
    """
    size, count = np.array([(r.megapixels, r.frames) for r in runs], float).T
    wall = np.array([r.wall_s for r in runs])
    basis = np.stack([np.ones_like(size), size, count, size * count], 1)
    terms, *_ = np.linalg.lstsq(basis / wall[:, None], np.ones_like(wall), rcond=None)
    off = np.abs(basis @ terms - wall) / wall
    names = ("start_s", "s_per_megapixel", "s_per_frame", "s_per_megapixel_and_frame")
    fit = {name: float(value) for name, value in zip(names, terms, strict=True)}
    return {**fit, "worst_distance": float(off.max())}


def describe(run: Run) -> str:
    """One line for people."""
    stages = ", ".join(f"{k} {v:.2f}" for k, v in run.stages_s.items())
    return (
        f"{run.method:8s} {run.megapixels:6.1f} MP x {run.frames:3d}: "
        f"{run.wall_s:7.2f} s wall, {run.per_frame_s:5.2f} s a frame, "
        f"{run.cpu_s:7.2f} s cpu, {run.peak_bytes / 2**20:7.0f} MiB  ({stages})"
    )


def ratios(runs: Sequence[Run]) -> list[dict[str, Any]]:
    """Time and memory of every other method over ours, for equal work."""
    out = []
    for ours in (r for r in runs if r.method == "ours"):
        for other in runs:
            same = (other.megapixels, other.frames) == (ours.megapixels, ours.frames)
            if same and other.method != "ours":
                entry = {
                    "method": other.method,
                    "megapixels": ours.megapixels,
                    "frames": ours.frames,
                    "times_slower": other.wall_s / ours.wall_s,
                    "times_more_memory": other.peak_bytes / ours.peak_bytes,
                }
                out.append(entry)
    return out


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Time and memory of a fusion.")
    parser.add_argument("--megapixels", type=float, nargs="+", default=[6, 24])
    parser.add_argument("--frames", type=int, nargs="+", default=[12])
    parser.add_argument("--methods", nargs="+", choices=METHODS, default=list(METHODS))
    parser.add_argument("--repeat", type=int, default=1, help="the fastest run counts")
    parser.add_argument("--work", type=Path, help="folder for frames and results")
    parser.add_argument("--json", type=Path, help="write the figures here")
    parser.add_argument("--quick", action="store_true", help="one tiny bracket")
    parser.add_argument("--fuse-option", nargs="*", default=[], help="passed to fuse")
    args = parser.parse_args(argv)
    sizes, counts = ([0.1], [3]) if args.quick else (args.megapixels, args.frames)
    runs: list[Run] = []
    with tempfile.TemporaryDirectory(dir=args.work) as work:
        if not args.quick:
            warm_up(Path(work))
        for megapixels in sizes:
            frames = write_frames(Path(work), megapixels, max(counts))
            for n in counts:
                for method in args.methods:
                    need = MERTENS_BYTES_PER_PX * megapixels * 1e6 * n
                    if method == "mertens" and need > available_bytes():
                        print(
                            f"mertens  {megapixels:6.1f} MP x {n:3d}: needs too much memory"
                        )
                        continue
                    out = Path(work) / "out" / "fused.tif"
                    out.parent.mkdir(exist_ok=True)
                    tried = [
                        run_one(method, frames[:n], out, megapixels, args.fuse_option)
                        for _ in range(args.repeat)
                    ]
                    runs.append(min(tried, key=lambda r: r.wall_s))
                    print(describe(runs[-1]), flush=True)
    fits = {}
    for method in args.methods:
        mine = [r for r in runs if r.method == method]
        if len(mine) >= FEWEST_TO_FIT:
            fits[method] = fit_plane(mine)
            print(method, fits[method])
    record = {
        "machine": {
            "cores": os.cpu_count(),
            "processor": platform.processor() or platform.machine(),
            "python": platform.python_version(),
            "libraries": {
                n: version(n) for n in ("numpy", "opencv-python-headless", "numba")
            },
        },
        "runs": [asdict(r) for r in runs],
        "ratios": ratios(runs),
        "fits": fits,
    }
    for entry in record["ratios"]:
        print(entry)
    if args.json:
        args.json.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
