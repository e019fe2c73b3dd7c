"""The subject as coloured points in space: binary PLY, for those who want to turn it.

References
----------
Turk, G. (1994), The PLY Polygon File Format, Stanford University.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from stacker.files import to_srgb8
from stacker.frame import FusionResult, ImageF32
from stacker.report.distances import depth_mm

__all__ = ["write_cloud"]

MAX_POINTS = 2_000_000
"""Some 30 MB; viewers turn so many smoothly (common practice)."""
MIN_CONFIDENCE = 64
"""Of 255: places whose depth is a guess would float about as dust."""
PLAIN_DEPTH = 1 / 3
"""Depth of the cloud as a share of the picture's width, where nothing is known in mm."""

_VERTEX = np.dtype(
    [(n, "<f4") for n in ("x", "y", "z")]
    + [(n, "u1") for n in ("red", "green", "blue")]
)


def write_cloud(
    path: Path,
    result: FusionResult,
    icc_profile: bytes | None,
    *,
    distances_mm: Sequence[float] | None = None,
    pixel_mm: float | None = None,
) -> int:
    """Write the points.

    Parameters
    ----------
    path : Path
        Overwritten if it exists.
    result : FusionResult
        Not modified.
    icc_profile : bytes or None
        The master's profile.
    distances_mm : sequence of float, optional
        Focus distance of each frame.
    pixel_mm : float, optional
        Size of a master pixel on the subject.

    Returns
    -------
    int
        Points written.

    Notes
    -----
    x to the right, y up, z towards the camera, all in mm where both distances and size
    of a pixel are known (orthographic: perspective is left out). Otherwise x and y are in
    pixels of the master and z is stretched to a third of the width; the file's comments
    say which.
    """
    height, width = result.depth.shape
    every = max(1, int(np.ceil(np.sqrt(height * width / MAX_POINTS))))
    thin = (slice(every // 2, None, every),) * 2
    known = result.confidence[thin] >= MIN_CONFIDENCE
    rows, columns = np.nonzero(known)
    colours = to_srgb8(np.ascontiguousarray(result.picture[thin]), icc_profile)
    last = max(len(result.frames) - 1, 1)
    depth = result.depth[thin][known].astype(np.float32) * np.float32(last / 65535)
    z, comment = _heights(depth, last, width, distances_mm, pixel_mm)
    scale = pixel_mm if distances_mm and pixel_mm else 1.0
    points = np.empty(len(rows), _VERTEX)
    points["x"] = (columns * every + every // 2 - (width - 1) / 2) * scale
    points["y"] = ((height - 1) / 2 - rows * every - every // 2) * scale
    points["z"] = z
    for i, name in enumerate(("red", "green", "blue")):
        points[name] = colours[known][:, i]
    header = [
        "ply",
        "format binary_little_endian 1.0",
        f"comment {comment}",
        f"element vertex {len(points)}",
        *(f"property float {n}" for n in ("x", "y", "z")),
        *(f"property uchar {n}" for n in ("red", "green", "blue")),
        "end_header",
    ]
    with path.open("wb") as file:
        file.write("\n".join([*header, ""]).encode("ascii"))
        points.tofile(file)
    return len(points)


def _heights(
    depth: ImageF32,
    last: int,
    width: int,
    distances_mm: Sequence[float] | None,
    pixel_mm: float | None,
) -> tuple[ImageF32, str]:
    """Heights towards the camera, and a line that explains the units."""
    if distances_mm:
        away = depth_mm(depth, distances_mm)
        nearest, farthest = min(distances_mm), max(distances_mm)
        if pixel_mm:
            return (nearest - away).astype(np.float32), "x, y, z in mm"
        stretch = PLAIN_DEPTH * width / max(farthest - nearest, 1e-6)
        comment = f"x, y in pixels, z in mm times {stretch:.6g}"
        return ((nearest - away) * stretch).astype(np.float32), comment
    stretch = PLAIN_DEPTH * width / last
    comment = f"x, y in pixels, z in frames times {stretch:.6g}, first frame nearest"
    return (-depth * stretch).astype(np.float32), comment
