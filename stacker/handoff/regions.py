"""Regions of a master: from a rectangle, a polygon or a painted mask to 8-bit masks.

A region is a mask with the box that holds all of it; outside the box it is 0.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from stacker.errors import InputError
from stacker.files.boundary import reading
from stacker.files.header import decode, read_header
from stacker.frame import Box

__all__ = ["Region", "region_of_mask", "region_of_rings", "region_of_text"]

_MAX_PIXELS = 1 << 40  # a mask has the master's size, which is checked
Ring = Sequence[Sequence[float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A part of the master.

    Attributes
    ----------
    box : Box
        Smallest box that holds it.
    mask : (h, w) uint8 array
        255 inside, 0 outside, between where the edge is soft; of the box's size.
    """

    box: Box
    mask: npt.NDArray[np.uint8]


def region_of_text(text: str | PathLike[str], shape: tuple[int, int]) -> Region:
    """Read a region as the command line has it.

    Parameters
    ----------
    text : str or path
        "x,y,width,height" in pixels of the master; or a GeoJSON file with polygons in
        pixel coordinates (x to the right, y down, centres of pixels at whole numbers);
        or a picture of the master's size, white inside, black outside.
    shape : (height, width)
        Of the master.

    Raises
    ------
    InputError
        It is none of these, is empty or leaves the master.
    FrameReadError
        The file cannot be read.
    """
    words = str(text).split(",")
    if len(words) == 4:
        try:
            x, y, width, height = (int(w) for w in words)
        except ValueError:
            pass
        else:
            return _rectangle(x, y, width, height, shape)
    path = Path(text)
    if path.suffix.lower() in (".geojson", ".json"):
        with reading(path):
            document = json.loads(path.read_bytes())
        return region_of_rings(_polygons(document, path), shape)
    header = read_header(path, max_pixels=_MAX_PIXELS)
    if (header.info.height, header.info.width) != shape:
        msg = (
            f"{path}: has {header.info.width} x {header.info.height} pixels, a mask must "
            f"have the master's {shape[1]} x {shape[0]}"
        )
        raise InputError(msg)
    pixels = decode(header, threads=1)
    grey = pixels if pixels.ndim == 2 else pixels.max(axis=2)
    eight = grey if grey.dtype == np.uint8 else grey >> 8
    return region_of_mask(eight.astype(np.uint8), name=str(path))


def _rectangle(
    x: int, y: int, width: int, height: int, shape: tuple[int, int]
) -> Region:
    if width < 1 or height < 1:
        msg = f"region {x},{y},{width},{height}: width and height must be 1 or more"
        raise InputError(msg)
    top, left = max(y, 0), max(x, 0)
    bottom, right = min(y + height, shape[0]), min(x + width, shape[1])
    if bottom <= top or right <= left:
        msg = (
            f"region {x},{y},{width},{height} lies outside the master of "
            f"{shape[1]} x {shape[0]} pixels"
        )
        raise InputError(msg)
    box = Box(row=top, column=left, height=bottom - top, width=right - left)
    return Region(box=box, mask=np.full((box.height, box.width), 255, np.uint8))


def region_of_mask(mask: npt.NDArray[np.uint8], *, name: str = "the mask") -> Region:
    """Cut a mask of the master's size to where it is not 0.

    Raises
    ------
    InputError
        It is 0 everywhere.
    """
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if len(rows) == 0:
        msg = f"{name}: is black everywhere, so there is no region"
        raise InputError(msg)
    box = Box(
        row=int(rows[0]),
        column=int(columns[0]),
        height=int(rows[-1] - rows[0]) + 1,
        width=int(columns[-1] - columns[0]) + 1,
    )
    part = mask[box.row : box.row + box.height, box.column : box.column + box.width]
    return Region(box=box, mask=np.ascontiguousarray(part))


def region_of_rings(
    polygons: Sequence[Sequence[Ring]], shape: tuple[int, int]
) -> Region:
    """Fill polygons.

    Parameters
    ----------
    polygons : sequence of polygons
        Each a sequence of rings of (x, y) places, the first the outline, further ones
        its holes.
    shape : (height, width)
        Of the master; what leaves it is cut off.

    Raises
    ------
    InputError
        Nothing of it lies within the master.
    """
    places = np.array([p[:2] for polygon in polygons for p in polygon[0]], dtype=float)
    if len(places) == 0 or not np.isfinite(places).all():
        msg = "the polygon has no places, or places that are no numbers"
        raise InputError(msg)
    low = np.maximum(np.floor(places.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(places.max(axis=0)), (shape[1] - 1, shape[0] - 1))
    width, height = (high.astype(int) - low + 1).tolist()
    if width < 1 or height < 1:
        msg = f"the polygon lies outside the master of {shape[1]} x {shape[0]} pixels"
        raise InputError(msg)
    total = np.zeros((height, width), np.uint8)
    for outline, *holes in polygons:
        picture = Image.new("L", (width, height))
        pen = ImageDraw.Draw(picture)
        for ring, value in ((outline, 255), *((hole, 0) for hole in holes)):
            corners = [(x - float(low[0]), y - float(low[1])) for x, y, *_ in ring]
            if len(corners) > 2:
                pen.polygon(corners, fill=value)
        np.maximum(total, np.asarray(picture), out=total)
    region = region_of_mask(total, name="the polygon")
    box = Box(
        row=region.box.row + int(low[1]),
        column=region.box.column + int(low[0]),
        height=region.box.height,
        width=region.box.width,
    )
    return Region(box=box, mask=region.mask)


def _polygons(document: Any, path: Path) -> list[list[Ring]]:
    """Collect the polygons of a GeoJSON document (RFC 7946, 3.1.6 and 3.1.7)."""
    found: list[list[Ring]] = []
    waiting = [document]
    while waiting:
        item = waiting.pop()
        if not isinstance(item, dict):
            continue
        kind = item.get("type")
        if kind == "Polygon":
            found.append(item.get("coordinates") or [])
        elif kind == "MultiPolygon":
            found += item.get("coordinates") or []
        waiting += [item.get("geometry")]
        waiting += [*(item.get("features") or []), *(item.get("geometries") or [])]
    try:
        return [
            [[(float(p[0]), float(p[1])) for p in ring] for ring in polygon]
            for polygon in found
            if polygon
        ] or _refuse(path)
    except (TypeError, ValueError, IndexError, KeyError):
        return _refuse(path)


def _refuse(path: Path) -> list[list[Ring]]:
    msg = f"{path}: holds no polygon (GeoJSON, in pixels of the master)"
    raise InputError(msg)
