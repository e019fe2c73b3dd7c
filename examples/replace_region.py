"""Do a round place again with one frame, look at it, and take it back if asked.

    python examples/replace_region.py out/shelf.tif --frame 6 --at 420,310 --radius 60
    python examples/replace_region.py out/shelf.tif --undo

The region is a mask made here; any mask of the master's size does.
"""

import argparse

import numpy as np

import stacker


def main() -> None:
    """Read the options, patch or take back, print the history."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("result", help="a master or its .report.json")
    parser.add_argument("--frame", type=int, help="frame to take the place from")
    parser.add_argument("--at", help="x,y of the middle, in pixels of the master")
    parser.add_argument("--radius", type=float, default=50.0, help="in pixels")
    parser.add_argument("--undo", action="store_true", help="take the last one back")
    options = parser.parse_args()

    if options.undo:
        record = stacker.undo_patch(options.result)
    else:
        x, y = (float(word) for word in options.at.split(","))
        height, width = stacker.open_result(options.result).shape
        distance = np.hypot(np.arange(width) - x, np.arange(height)[:, None] - y)
        mask = np.where(distance <= options.radius, 255, 0).astype(np.uint8)
        record = stacker.patch(options.result, frame=options.frame, region=mask)
    for entry in record["patches"]:
        place = entry["region"]
        print(f"frame {entry['frame']} at {place['column']},{place['row']}")
    print(len(record["patches"]), "patches")


if __name__ == "__main__":
    main()
