"""Darken what lies behind a distance: a light fall-off that was not there.

    python examples/darken_background.py out/shelf.tif out/darker.tif --behind 380

Works in bands of rows, so that a picture of 100 MP needs little memory beside itself.
"""

import argparse

import numpy as np

import stacker

BAND_ROWS = 512


def main() -> None:
    """Read the options, darken, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("result", help="a master or its .report.json")
    parser.add_argument("output", help="the darker picture")
    parser.add_argument("--behind", type=float, required=True, help="distance in mm")
    parser.add_argument("--softness", type=float, default=20.0, help="in mm")
    parser.add_argument(
        "--by", type=float, default=0.5, help="0 = black, 1 = unchanged"
    )
    options = parser.parse_args()

    result = stacker.open_result(options.result)
    picture = result.picture()
    height, width = result.shape
    for row in range(0, height, BAND_ROWS):
        rows = min(BAND_ROWS, height - row)
        band = stacker.Box(row=row, column=0, height=rows, width=width)
        beyond = (result.depth_mm(band) - options.behind) / options.softness
        factor = 1 - (1 - options.by) * np.clip(beyond, 0, 1)
        if picture.ndim == 3:
            factor = factor[..., None]
        part = picture[row : row + rows]
        part[:] = np.rint(part * factor)
    words = f"darkened by {options.by:g} behind {options.behind:g} mm"
    print(result.write_master(options.output, picture, words=words, overwrite=True))


if __name__ == "__main__":
    main()
