"""Say which frame is sharpest at a point, and how much sharper than the others.

    python examples/sharpest_frame.py out/shelf.tif 420 310

Reads a small window of every frame, not the frames: quick at any size.
"""

import argparse

import numpy as np

import stacker

SIDE_PX = 48


def detail(pixels: np.ndarray) -> float:
    """Mean square of the differences between neighbours."""
    grey = pixels.astype(np.float64)
    grey = grey if grey.ndim == 2 else grey.mean(axis=2)
    across, down = np.diff(grey, axis=1), np.diff(grey, axis=0)
    return float(np.square(across).mean() + np.square(down).mean())


def main() -> None:
    """Read the options, measure, print a line for each frame."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("result", help="a master or its .report.json")
    parser.add_argument("x", type=int, help="column, in pixels of the master")
    parser.add_argument("y", type=int, help="row")
    options = parser.parse_args()

    result = stacker.open_result(options.result)
    height, width = result.shape
    box = stacker.Box(
        row=min(max(options.y - SIDE_PX // 2, 0), max(height - SIDE_PX, 0)),
        column=min(max(options.x - SIDE_PX // 2, 0), max(width - SIDE_PX, 0)),
        height=min(SIDE_PX, height),
        width=min(SIDE_PX, width),
    )
    found = {k: detail(result.aligned_frame(k, box)) for k in result.used}
    best = max(found, key=lambda k: found[k])
    for k, value in found.items():
        name = result.record["frames"][k]["file"]
        mark = " <- sharpest" if k == best else ""
        print(f"{k:3}  {100 * value / found[best]:5.1f} %  {name}{mark}")
    pixel = stacker.Box(row=options.y, column=options.x, height=1, width=1)
    depth = float(result.depth(pixel)[0, 0])
    sure = float(result.confidence(pixel)[0, 0])
    print(f"depth map: {depth:.2f}, confidence {100 * sure:.0f} %")


if __name__ == "__main__":
    main()
