"""Picture quality against exact truth, beside plain methods on the same aligned frames.

    python -m benchmarks.quality                         the sample
    python -m benchmarks.quality wires chrome macro      scenes rendered on the spot
    python -m benchmarks.quality CLEAN_DIR CLEAN_DIR=CAMERA_DIR --seed 5

CLEAN_DIR holds clean frames with truth (`benchmarks.scenes`), CAMERA_DIR the frames that
a camera made of them with a record of it; without one they are made here. Our method
runs with its default settings but for the reference; the others get the frames aligned
with the transforms and gains that it found.
"""

import argparse
import json
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.baselines import METHODS, align_frames, upper_reference
from benchmarks.brackets import Bracket, sample_bracket, scene_bracket
from benchmarks.lens import F32
from benchmarks.measure import score_depth, score_picture, score_transforms
from benchmarks.scenes import SCENES, write_scene
from benchmarks.sheet import contact_sheet, write_sheet
from stacker.compute import fuse_frames
from stacker.frame import FusionResult
from stacker.settings import AlignSettings, FuseSettings

QUICK_SCALE = 0.15
CODES = 65536


def transfer_table(bracket: Bracket) -> F32:
    """Linear light by 16-bit code, (3, 65536)."""
    linear = bracket.decode(np.linspace(0, 1, CODES, dtype=np.float32))
    return np.ascontiguousarray(np.broadcast_to(linear, (3, CODES)))


def fuse_bracket_in_memory(bracket: Bracket) -> FusionResult:
    """Our method, default settings, on the truth's reference frame."""
    settings = FuseSettings(align=AlignSettings(reference=bracket.reference))
    return fuse_frames(bracket.frames, settings, transfer=transfer_table(bracket))


def aligned_as_found(bracket: Bracket, result: FusionResult) -> list[F32]:
    """Frames of a bracket with the transforms and gains that a fusion found."""
    gains = np.array([2.0 ** -np.array(f.gain_ev) for f in result.frames])
    return align_frames(bracket, [f.transform for f in result.frames], gains)


def assess(
    bracket: Bracket,
) -> tuple[dict[str, dict[str, float]], dict[str, F32]]:
    """Figures and pictures by method for one bracket."""
    start = time.perf_counter()
    result = fuse_bracket_in_memory(bracket)
    seconds = time.perf_counter() - start
    truth = bracket.truth
    pictures = {"ours": result.picture.astype(np.float32) / np.float32(65535)}
    aligned = aligned_as_found(bracket, result)
    for name, method in METHODS.items():
        pictures[name] = method(aligned)
    pictures["upper_reference"] = upper_reference(aligned, truth.picture)
    frame = bracket.frames[bracket.reference]
    one = frame.astype(np.float32) / np.float32(np.iinfo(frame.dtype).max)
    figures = {n: score_picture(p, truth, one) for n, p in pictures.items()}
    h, w = frame.shape[:2]
    found = [f.transform for f in result.frames]
    figures["ours"] |= score_depth(result.depth_in_frames(), truth)
    figures["ours"] |= score_transforms(found, bracket.transforms, (w, h))
    figures["ours"]["seconds"] = seconds
    return figures, pictures


def as_text(name: str, figures: dict[str, dict[str, float]]) -> str:
    """Table of one bracket's figures."""
    columns = list(figures["ours"])
    lines = [
        f"{name:18s}" + "".join(f"{c.removeprefix('psnr_'):>12s}" for c in columns)
    ]
    for method, row in figures.items():
        cells = (f"{row[c]:12.3f}" if c in row else " " * 12 for c in columns)
        lines.append(f"{method:18s}" + "".join(cells))
    return "\n".join(lines)


def open_bracket(text: str, seed: int, scratch: Path, scale: float = 1.0) -> Bracket:
    """Find the bracket that an argument names."""
    if text == "sample":
        return sample_bracket()
    if text in SCENES:
        folder = scratch / text
        write_scene(SCENES[text](np.random.default_rng(1), scale), folder)
        return scene_bracket(folder, seed=seed)
    clean, _, delivered = text.partition("=")
    return scene_bracket(
        Path(clean), seed=seed, delivered=Path(delivered) if delivered else None
    )


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Picture quality against exact truth.")
    parser.add_argument(
        "brackets", nargs="*", default=["sample"],
        help="sample, wires, chrome, macro, CLEAN_DIR or CLEAN_DIR=CAMERA_DIR",
    )  # fmt: skip
    parser.add_argument("--seed", type=int, default=3, help="of noise and flash")
    parser.add_argument("--json", type=Path, help="write the figures here")
    parser.add_argument("--sheet", type=Path, help="write a contact sheet (PNG) here")
    parser.add_argument("--quick", action="store_true", help="one small scene only")
    args = parser.parse_args(argv)
    names = ["wires"] if args.quick else args.brackets
    figures: dict[str, Any] = {}
    sheets: list[npt.NDArray[np.uint8]] = []
    with tempfile.TemporaryDirectory() as scratch:
        for text in names:
            scale = QUICK_SCALE if args.quick else 1.0
            bracket = open_bracket(text, args.seed, Path(scratch), scale)
            figures[bracket.name], pictures = assess(bracket)
            print(as_text(bracket.name, figures[bracket.name]), flush=True)
            truth = bracket.truth
            sheet = contact_sheet(bracket.name, pictures, truth.picture, truth.inside)
            sheets.append(sheet)
    if args.json:
        record = {"seed": args.seed, "figures": figures}
        args.json.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    if args.sheet:
        write_sheet(args.sheet, sheets)


if __name__ == "__main__":
    main()
