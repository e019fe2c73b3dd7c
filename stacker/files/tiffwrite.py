"""TIFF files out: pixels through tifffile, and the capture data that it leaves out.

tifffile refuses to write the EXIF and GPS directories. They are appended to its file,
and two placeholder tags are turned into the pointers to them: works for classic TIFF and
BigTIFF, costs a millisecond for any size.
"""

import os
import struct
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import tifffile

from stacker.errors import OutputError
from stacker.files.ifd import (
    BYTE,
    LONG,
    UNDEFINED,
    Entry,
    number_entry,
    pack_ifd,
)
from stacker.files.metadata import Metadata
from stacker.files.packing import is_big_needed, packed
from stacker.frame import Pixels
from stacker.settings import OutputSettings

__all__ = ["as_bits", "write_tiff"]

_BAND_ROWS = 512  # converted at a time

_X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT = 282, 283, 296
_XMP, _IPTC = 700, 33723
_EXIF_IFD, _GPS_IFD, _INTEROP_IFD = 34665, 34853, 40965
# Private codes that stand for the pointers until these are known; next to theirs, so
# that the order of tags holds.
_PLACEHOLDERS = {_EXIF_IFD: 34666, _GPS_IFD: 34854}
_INCH = 2  # ResolutionUnit's default (TIFF 6.0)


def write_tiff(
    path: Path,
    pixels: Pixels,
    metadata: Metadata,
    settings: OutputSettings,
    *,
    threads: int = 0,
) -> None:
    """Write one picture with its metadata.

    Parameters
    ----------
    path : Path
        Overwritten if it exists: the caller sees to temporary names.
    pixels : (H, W) or (H, W, 3) uint8 or uint16 array
        Not modified.
    metadata : Metadata
        Written as it is; see `stacker.files.carry`.
    settings : OutputSettings
        `compression` and `tiles` are used.
    threads : int
        For packing; 0 = one per core.

    Raises
    ------
    OSError
        No space, no permission.
    """
    extra = sum(
        len(e.data) + 64  # more than a directory row costs
        for e in (*metadata.main, *metadata.exif, *metadata.interop, *metadata.gps)
    )
    blocks = (metadata.icc_profile, metadata.xmp, metadata.iptc)
    extra += sum(len(b) for b in blocks if b)
    is_big = is_big_needed(pixels.nbytes, extra, settings.compression)
    tifffile.imwrite(
        path,
        bigtiff=is_big,
        byteorder="<",
        photometric="rgb" if pixels.ndim == 3 else "minisblack",
        planarconfig="contig" if pixels.ndim == 3 else None,
        metadata=None,
        software=False,
        iccprofile=metadata.icc_profile,
        extratags=_extratags(metadata, is_big=is_big),
        **packed(pixels, settings, threads),
        **_resolution(metadata),
    )
    if metadata.exif or metadata.gps:
        with path.open("r+b") as file:
            _append_directories(file, metadata, is_big=is_big)


def _resolution(metadata: Metadata) -> dict[str, Any]:
    tags = {e.code: e for e in metadata.main}
    if _X_RESOLUTION not in tags or _Y_RESOLUTION not in tags:
        return {}
    unit = tags[_RESOLUTION_UNIT].number() if _RESOLUTION_UNIT in tags else _INCH
    pairs = []
    for code in (_X_RESOLUTION, _Y_RESOLUTION):
        data = tags[code].data
        if len(data) != 8:  # not a rational: nothing that can be carried exactly
            return {}
        pairs.append(struct.unpack("<II", data))
    if not all(d for _, d in pairs) or unit not in (1, 2, 3):
        return {}
    return {"resolution": tuple(pairs), "resolutionunit": int(unit)}


def _extratags(metadata: Metadata, *, is_big: bool) -> list[tuple[Any, ...]]:
    special = {_X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT}
    tags: list[tuple[Any, ...]] = [
        (e.code, e.kind, e.count, e.data, True)
        for e in metadata.main
        if e.code not in special
    ]
    if metadata.xmp:
        tags.append((_XMP, BYTE, len(metadata.xmp), metadata.xmp, True))
    if metadata.iptc:
        tags.append((_IPTC, UNDEFINED, len(metadata.iptc), metadata.iptc, True))
    pointer = "Q" if is_big else "I"
    if metadata.exif:
        tags.append((_PLACEHOLDERS[_EXIF_IFD], pointer, 1, 0, True))
    if metadata.gps:
        tags.append((_PLACEHOLDERS[_GPS_IFD], pointer, 1, 0, True))
    return tags


def _append_directories(file: BinaryIO, metadata: Metadata, *, is_big: bool) -> None:
    """Append the EXIF and GPS directories and point to them."""
    exif = list(metadata.exif)
    if exif and metadata.interop:
        at = _append(file, list(metadata.interop), is_big=is_big)
        exif.append(number_entry(_INTEROP_IFD, LONG, at))
    if exif:
        _point(file, _EXIF_IFD, _append(file, exif, is_big=is_big), is_big=is_big)
    if metadata.gps:
        at = _append(file, list(metadata.gps), is_big=is_big)
        _point(file, _GPS_IFD, at, is_big=is_big)


def _append(file: BinaryIO, entries: list[Entry], *, is_big: bool) -> int:
    at = file.seek(0, os.SEEK_END)
    if at % 2:  # directories begin on a word boundary
        file.write(b"\0")
        at += 1
    file.write(pack_ifd(entries, offset=at, is_big=is_big))
    return at


def _point(file: BinaryIO, code: int, target: int, *, is_big: bool) -> None:
    """Turn the placeholder of `code` in the first directory into a pointer."""
    first_at, first_code, count_code, row_size, row_code, value_at, value_code = (
        (8, "<Q", "<Q", 20, "<H", 12, "<Q")
        if is_big
        else (4, "<I", "<H", 12, "<H", 8, "<I")
    )
    file.seek(first_at)
    (first,) = struct.unpack(first_code, file.read(struct.calcsize(first_code)))
    file.seek(first)
    (n_rows,) = struct.unpack(count_code, file.read(struct.calcsize(count_code)))
    table_at = file.tell()
    table = file.read(n_rows * row_size)
    for row in range(n_rows):
        (found,) = struct.unpack_from(row_code, table, row * row_size)
        if found == _PLACEHOLDERS[code]:
            file.seek(table_at + row * row_size)
            file.write(struct.pack(row_code, code))
            file.seek(table_at + row * row_size + value_at)
            file.write(struct.pack(value_code, target))
            return
    msg = f"no placeholder for tag {code}"
    raise OutputError(msg)


def as_bits(pixels: npt.NDArray[np.uint16], bits: int) -> Pixels:
    """Give 16-bit samples, or the nearest of 256 levels."""
    if bits == 16:
        return pixels
    out = np.empty(pixels.shape, dtype=np.uint8)
    for row in range(0, pixels.shape[0], _BAND_ROWS):  # bands: no full-size temporaries
        band = pixels[row : row + _BAND_ROWS].astype(np.uint32)
        out[row : row + _BAND_ROWS] = (band + 128) // 257
    return out
