"""Small brackets in files, as a camera leaves them: for whatever watches or batches."""

from functools import cache
from pathlib import Path

import numpy as np
import tifffile

SAMPLE = Path(__file__).parents[1] / "sample_data"
SHAPE = (64, 97)
_DATE_TIME = 306  # TIFF 6.0


@cache
def crops():
    """Frames of a place that registers well, small enough for a tenth of a second."""
    return [
        tifffile.imread(SAMPLE / f"spice_shelf_0{k}.tif")[150:214, 200:297]
        for k in (4, 5, 6)
    ]


def frame_bytes(k, *, time=None, mark=0, **options):
    """A frame's file; `mark` makes it unlike those of other brackets."""
    from io import BytesIO

    pixels = crops()[k % 3].copy()
    pixels[0, 0] = (k, mark, 1)
    tags = (
        [] if time is None else [(_DATE_TIME, 2, 20, f"{time:%Y:%m:%d %H:%M:%S}", True)]
    )
    file = BytesIO()
    tifffile.imwrite(
        file, pixels, photometric="rgb", metadata=None, extratags=tags, **options
    )
    return file.getvalue()


def write_bracket(folder, names, **options):
    """Write frames of these names; they have neither times nor settings inside."""
    folder.mkdir(parents=True, exist_ok=True)
    for k, name in enumerate(names):
        (folder / name).write_bytes(frame_bytes(k, **options))


def noise_bytes(seed):
    """A frame that is like no other."""
    from io import BytesIO

    pixels = np.random.default_rng(seed).integers(0, 65536, (*SHAPE, 3), np.uint16)
    file = BytesIO()
    tifffile.imwrite(file, pixels, photometric="rgb", metadata=None)
    return file.getvalue()
