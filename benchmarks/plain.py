"""The plain OpenCV ways to fuse files, for comparing time and memory.

    python -m benchmarks.plain pyramid OUT.tif FRAME FRAME...
    python -m benchmarks.plain mertens OUT.tif FRAME FRAME...

`pyramid`: read, register by ECC at an eighth, cubic warp, nine-level Laplacian pyramid,
select by 5 x 5 energy, collapse, write; one frame at a time. `mertens`: the same
registration, all frames held, OpenCV's exposure fusion. Prints seconds by stage as JSON.
"""

import argparse
import json
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import tifffile

from benchmarks.baselines import merge_mertens
from benchmarks.lens import F32, F64

ECC_REDUCTION = 8
ECC_STEPS = 60
ECC_STEP_SIZE = 1e-5
LEVELS = 9
WINDOW = (5, 5)


def luma_at_eighth(frame: npt.NDArray[Any]) -> F32:
    """Reduced luma, 0..1; an eighth, or full size where that leaves too little."""
    h, w = frame.shape[:2]
    step = ECC_REDUCTION if min(h, w) >= 64 * ECC_REDUCTION else 1
    small = cv2.resize(frame, (w // step, h // step), interpolation=cv2.INTER_AREA)
    gray = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
    return np.asarray(gray, np.float32) / np.float32(np.iinfo(frame.dtype).max)


def register(fixed: F32, moving: F32, start: F64) -> F64:
    """Register by ECC with an affine model (Evangelidis & Psarakis 2008): fixed to moving."""
    criteria = (
        cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT,
        ECC_STEPS,
        ECC_STEP_SIZE,
    )
    blurred = [cv2.GaussianBlur(p, (0, 0), 1.5) for p in (fixed, moving)]
    mask = np.full(fixed.shape, 255, np.uint8)
    _, found = cv2.findTransformECC(
        blurred[0], blurred[1], start.astype(np.float32), cv2.MOTION_AFFINE, criteria,
        mask, 1,
    )  # fmt: skip
    return np.asarray(found, np.float64)


class Stopwatch:
    """Seconds by stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self._since = time.perf_counter()

    def lap(self, stage: str) -> None:
        """Count the time since the last call to a stage."""
        now = time.perf_counter()
        self.seconds[stage] += now - self._since
        self._since = now


class Aligner:
    """Registers each frame to the first, starting from where the last one lay."""

    def __init__(self) -> None:
        self._fixed: F32 | None = None
        self._last = np.eye(2, 3)

    def align(self, frame: npt.NDArray[Any], watch: Stopwatch) -> F32:
        """Frame on the first frame's grid, float32 in 0..1."""
        small = luma_at_eighth(frame)
        if self._fixed is None:
            self._fixed = small
        else:
            self._last = register(self._fixed, small, self._last)
        watch.lap("align")
        h, w = frame.shape[:2]
        step = w / small.shape[1]
        full = self._last.copy()
        # pixel centres: x_full = (x_small + 0.5) * step - 0.5
        shift = (step - 1) / 2
        full[:, 2] = full[:, 2] * step + shift - full[:, :2] @ np.array([shift, shift])
        warped = cv2.warpAffine(
            frame, full, (w, h), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip
        out = np.asarray(warped, np.float32)
        out /= np.float32(np.iinfo(frame.dtype).max)
        watch.lap("warp")
        return out


class Selection:
    """Nine-level Laplacian pyramid, largest 5 x 5 energy of luma wins per level."""

    def __init__(self) -> None:
        self._levels: list[F32] = []
        self._energy: list[F32] = []
        self._rest: F32 | None = None
        self._count = 0

    def add(self, frame: F32) -> None:
        """Take what a frame has sharper."""
        image = frame
        for i in range(LEVELS - 1):
            if min(image.shape[:2]) < 2:
                break
            small = np.asarray(cv2.pyrDown(image), np.float32)
            up = cv2.pyrUp(small, dstsize=(image.shape[1], image.shape[0]))
            level = np.asarray(cv2.subtract(image, up), np.float32)
            gray = cv2.cvtColor(level, cv2.COLOR_RGB2GRAY)
            energy = np.asarray(cv2.boxFilter(gray * gray, -1, WINDOW), np.float32)
            if self._count == 0:
                self._levels.append(level)
                self._energy.append(energy)
            else:
                better = (energy > self._energy[i]).astype(np.uint8)
                cv2.copyTo(level, better, self._levels[i])
                cv2.copyTo(energy, better, self._energy[i])
            image = small
        self._rest = image if self._rest is None else self._rest + image
        self._count += 1

    def finish(self) -> F32:
        """Collapse what was selected; the rest is the mean."""
        assert self._rest is not None
        image = np.asarray(self._rest / self._count, np.float32)
        for level in reversed(self._levels):
            size = (level.shape[1], level.shape[0])
            image = np.asarray(
                cv2.add(cv2.pyrUp(image, dstsize=size), level), np.float32
            )
        return image


def fuse(method: str, frames: list[Path], out: Path) -> dict[str, float]:
    """Fuse files into an uncompressed 16-bit TIFF; answers seconds by stage."""
    watch = Stopwatch()
    aligner, selection, held = Aligner(), Selection(), []
    for path in frames:
        frame = tifffile.imread(path)
        watch.lap("decode")
        aligned = aligner.align(frame, watch)
        if method == "pyramid":
            selection.add(aligned)
        else:
            held.append(aligned)
        watch.lap("fuse")
    picture = selection.finish() if method == "pyramid" else merge_mertens(held)
    code = np.clip(picture * 65535 + 0.5, 0, 65535).astype(np.uint16)
    watch.lap("fuse")
    tifffile.imwrite(out, code, photometric="rgb", metadata=None)
    watch.lap("encode")
    return dict(watch.seconds)


def peak_memory_bytes() -> int:
    """Peak resident memory of this process (Linux)."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024
    return 0


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Plain OpenCV fusion of files.")
    parser.add_argument("method", choices=["pyramid", "mertens"])
    parser.add_argument("out", type=Path)
    parser.add_argument("frames", nargs="+", type=Path)
    args = parser.parse_args()
    timings = fuse(args.method, args.frames, args.out)
    told = {"timings_s": timings, "peak_memory_bytes": peak_memory_bytes()}
    print(json.dumps(told))


if __name__ == "__main__":
    main()
