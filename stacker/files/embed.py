"""PNG and JPEG XL masters, with the same metadata as a TIFF one; JPEG previews.

Both formats take EXIF as one TIFF structure and XMP as text; only PNG takes any colour
profile here: the JPEG XL encoder in use has no option for profiles, so that masters in
other colours than sRGB are refused rather than delivered wrong.
"""

import struct
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import numpy.typing as npt

from stacker.errors import OutputError
from stacker.files.colour import is_srgb, profile_name
from stacker.files.ifd import LONG, Entry, number_entry, pack_ifd
from stacker.files.metadata import Metadata
from stacker.files.profiles import named_profile
from stacker.files.segments import mark_jpegxl_srgb
from stacker.frame import Pixels

__all__ = [
    "check_jpegxl_profile",
    "pack_exif",
    "png_with_profile",
    "write_jpeg",
    "write_jpegxl",
    "write_png",
]

_PNG_LEVEL = 1  # deflate; 6 is three times slower for 3 % less
# Effort 1 of the encoder (libjxl in imagecodecs 2026.3.6) writes beyond its buffer where
# 16-bit samples do not compress, and brings the process down; 2 is 10 % larger.
_JPEGXL_EFFORT = 3
_JPEG_QUALITY = 90  # common practice for pictures to look at
_EXIF_IFD, _GPS_IFD, _INTEROP_IFD = 34665, 34853, 40965
_FIRST_AT = 8  # TIFF 6.0: the header's size
_X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT = 282, 283, 296
_METRES_PER_UNIT = {2: 0.0254, 3: 0.01}  # ResolutionUnit: inch, centimetre
_PNG_METRE = 1  # unit specifier of pHYs


def pack_exif(metadata: Metadata) -> bytes:
    """Make one TIFF structure of all entries (Exif 3.0, 4.5.4)."""
    main: list[Entry] = list(metadata.main)
    blocks, at = [], _FIRST_AT

    def place(entries: list[Entry]) -> int:
        nonlocal at
        begin = at
        blocks.append(pack_ifd(entries, offset=begin, is_big=False))
        at += len(blocks[-1])
        return begin

    exif = list(metadata.exif)
    if exif and metadata.interop:
        where = place(list(metadata.interop))
        exif.append(number_entry(_INTEROP_IFD, LONG, where))
    if exif:
        main.append(number_entry(_EXIF_IFD, LONG, place(exif)))
    if metadata.gps:
        main.append(number_entry(_GPS_IFD, LONG, place(list(metadata.gps))))
    first = place(main)
    return struct.pack("<2sHI", b"II", 42, first) + b"".join(blocks)


def write_png(path: Path, pixels: Pixels, metadata: Metadata) -> None:
    """Write an 8 or 16-bit PNG with profile, EXIF, XMP and resolution.

    Parameters
    ----------
    path : Path
        Overwritten if it exists.
    pixels : (H, W) or (H, W, 3) uint8 or uint16 array
        Not modified.
    metadata : Metadata
        IPTC has no place in a PNG and is left out.
    """
    data = memoryview(imagecodecs.png_encode(pixels, level=_PNG_LEVEL))
    with path.open("wb") as file:
        header_end = 8 + 12 + 13  # signature, IHDR with its frame
        file.write(data[:header_end])
        for name, body in _png_chunks(metadata):
            file.write(struct.pack(">I", len(body)) + name + body)
            file.write(struct.pack(">I", zlib.crc32(name + body)))
        file.write(data[header_end:])


def png_with_profile(pixels: Pixels, icc_profile: bytes | None) -> bytes:
    """Encode an 8 or 16-bit PNG with its profile and nothing else; alpha may be in it."""
    data = imagecodecs.png_encode(pixels, level=_PNG_LEVEL)
    if not icc_profile:
        return bytes(data)
    header_end = 8 + 12 + 13  # signature, IHDR with its frame
    name, body = _profile_chunk(icc_profile)
    chunk = struct.pack(">I", len(body)) + name + body
    chunk += struct.pack(">I", zlib.crc32(name + body))
    return b"".join((data[:header_end], chunk, data[header_end:]))


def _profile_chunk(icc_profile: bytes) -> tuple[bytes, bytes]:
    name = profile_name(icc_profile).encode("latin-1", "replace")[:79]
    return b"iCCP", name.strip() + b"\0\0" + zlib.compress(icc_profile)


def _png_chunks(metadata: Metadata) -> list[tuple[bytes, bytes]]:
    """Chunks to go right after the header (ISO/IEC 15948, 11.3)."""
    chunks = []
    if metadata.icc_profile:
        chunks.append(_profile_chunk(metadata.icc_profile))
    density = _per_metre(metadata)
    if density:
        chunks.append((b"pHYs", struct.pack(">IIB", *density, _PNG_METRE)))
    chunks.append((b"eXIf", pack_exif(metadata)))
    if metadata.xmp:
        head = b"XML:com.adobe.xmp\0\0\0\0\0"  # not packed, no language
        chunks.append((b"iTXt", head + metadata.xmp))
    return chunks


def _per_metre(metadata: Metadata) -> tuple[int, int] | None:
    tags = {e.code: e.number() for e in metadata.main}
    across, down = tags.get(_X_RESOLUTION), tags.get(_Y_RESOLUTION)
    metres = _METRES_PER_UNIT.get(int(tags.get(_RESOLUTION_UNIT) or 2))
    if not across or not down or not metres:
        return None
    return round(across / metres), round(down / metres)


def check_jpegxl_profile(icc_profile: bytes | None, path: Path) -> None:
    """Refuse a master whose colours a JPEG XL file would not keep.

    Raises
    ------
    OutputError
        The profile is not sRGB.
    """
    if icc_profile is not None and not is_srgb(icc_profile):
        msg = (
            f'{path}: the colour profile "{profile_name(icc_profile)}" cannot be kept '
            "in JPEG XL here, choose .tif or .png"
        )
        raise OutputError(msg)


def write_jpegxl(path: Path, pixels: Pixels, metadata: Metadata) -> None:
    """Write a lossless JPEG XL in sRGB with EXIF and XMP; see `write_png`.

    Raises
    ------
    OutputError
        The profile is not sRGB.
    """
    check_jpegxl_profile(metadata.icc_profile, path)
    data = bytearray(
        imagecodecs.jpegxl_encode(
            pixels, lossless=True, effort=_JPEGXL_EFFORT, usecontainer=True
        )
    )
    mark_jpegxl_srgb(data)
    # ISO/IEC 18181-2: boxes may follow the codestream; EXIF begins with an offset of 0.
    boxes = [(b"Exif", bytes(4) + pack_exif(metadata))]
    if metadata.xmp:
        boxes.append((b"xml ", metadata.xmp))
    with path.open("wb") as file:
        file.write(data)
        for name, body in boxes:
            file.write(struct.pack(">I", len(body) + 8) + name + body)


def write_jpeg(path: Path, srgb: npt.NDArray[np.uint8]) -> None:
    """Write a JPEG to look at, with sRGB's profile.

    Parameters
    ----------
    path : Path
        Overwritten if it exists.
    srgb : (H, W, 3) uint8 array
        Not modified.
    """
    data = memoryview(imagecodecs.jpeg8_encode(srgb, level=_JPEG_QUALITY))
    # ICC.1:2022, annex B.4: one segment, number 1 of 1, right after the first marker.
    body = b"ICC_PROFILE\0\x01\x01" + named_profile("srgb")
    with path.open("wb") as file:
        file.write(data[:2])
        file.write(b"\xff\xe2" + struct.pack(">H", len(body) + 2) + body)
        file.write(data[2:])
