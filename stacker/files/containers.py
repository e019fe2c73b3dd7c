"""How JPEG and PNG files are put together: their segments and chunks, not their pixels.

`read_jpeg` and `read_png` say what the header declares and what metadata is embedded,
reading no more of the file than they must.
"""

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from typing import BinaryIO

import numpy as np

from stacker.errors import InputError

__all__ = [
    "Container",
    "iptc_of_resources",
    "iter_png_chunks",
    "jpeg_is_whole",
    "png_without_metadata",
    "read_jpeg",
    "read_png",
]

# Largest block of metadata that is unpacked; profiles with tables reach a few MB.
_MAX_BLOCK_BYTES = 64 << 20

_EXIF_HEAD = b"Exif\0\0"
_XMP_HEAD = b"http://ns.adobe.com/xap/1.0/\0"
_ICC_HEAD = b"ICC_PROFILE\0"
_RESOURCES_HEAD = b"Photoshop 3.0\0"
_IPTC_RESOURCE = 0x0404  # XMP specification part 3, 1.1.3 / IPTC IIM
_JFIF_HEAD = b"JFIF\0"

# ITU-T T.81, table B.1: frame headers are C0..CF but for DHT, JPG and DAC.
_SOF_MARKERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_SOI, _EOI, _SOS, _APP0, _APP1, _APP2, _APP13 = (
    0xD8, 0xD9, 0xDA, 0xE0, 0xE1, 0xE2, 0xED,
)  # fmt: skip
_RST_FIRST, _RST_LAST, _TEM = 0xD0, 0xD7, 0x01

_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_PNG_XMP_KEYWORD = b"XML:com.adobe.xmp"


@dataclass(slots=True)
class Container:
    """What the header of a JPEG or PNG declares and embeds.

    Attributes
    ----------
    height, width, bits, n_channels : int
        As stored, alpha included; `bits` per channel.
    coding : int
        JPEG: number of the frame header (0xC0 = baseline); PNG: colour type.
    exif : bytes or None
        A TIFF structure.
    icc, xmp, iptc : bytes or None
        Whole blocks, byte for byte.
    per_metre : tuple of float or None
        Resolution across and down.
    """

    height: int = 0
    width: int = 0
    bits: int = 0
    n_channels: int = 0
    coding: int = 0
    exif: bytes | None = None
    icc: bytes | None = None
    xmp: bytes | None = None
    iptc: bytes | None = None
    per_metre: tuple[float, float] | None = None


def iptc_of_resources(block: bytes) -> bytes | None:
    """Find the IPTC record in a block of image resources ("8BIM" entries)."""
    at = 0
    while block[at : at + 4] == b"8BIM" and at + 12 <= len(block):
        number = struct.unpack_from(">H", block, at + 4)[0]
        name_size = block[at + 6] + 1
        at += 6 + name_size + name_size % 2
        if at + 4 > len(block):
            return None
        size = struct.unpack_from(">I", block, at)[0]
        if number == _IPTC_RESOURCE:
            return block[at + 4 : at + 4 + size]
        at += 4 + size + size % 2
    return None


def _take_jpeg_segment(
    found: Container, icc_parts: dict[int, bytes], marker: int, body: bytes
) -> None:
    if marker in _SOF_MARKERS and len(body) >= 6 and not found.n_channels:
        bits, height, width, n = struct.unpack_from(">BHHB", body)
        found.bits, found.height, found.width, found.n_channels = bits, height, width, n
        found.coding = marker
    elif marker == _APP1 and body.startswith(_EXIF_HEAD) and found.exif is None:
        found.exif = body[len(_EXIF_HEAD) :]
    elif marker == _APP1 and body.startswith(_XMP_HEAD) and found.xmp is None:
        found.xmp = body[len(_XMP_HEAD) :]
    elif marker == _APP2 and body.startswith(_ICC_HEAD) and len(body) > 14:
        # ICC.1:2022, B.4: chunk number from 1 and number of chunks follow the name.
        icc_parts[body[12]] = body[14:]
    elif marker == _APP13 and body.startswith(_RESOURCES_HEAD) and found.iptc is None:
        found.iptc = iptc_of_resources(body[len(_RESOURCES_HEAD) :])
    elif marker == _APP0 and body.startswith(_JFIF_HEAD) and len(body) >= 12:
        unit, across, down = struct.unpack_from(">BHH", body, 7)
        scale = {1: 1 / 0.0254, 2: 100.0}.get(unit)  # per inch, per centimetre
        if scale and across and down:
            found.per_metre = (across * scale, down * scale)


def read_jpeg(file: BinaryIO) -> Container:
    """Read the segments of a JPEG up to its first scan.

    Raises
    ------
    InputError
        The file ends before a scan, or no frame header comes before it.
    """
    file.seek(0)
    if file.read(2) != bytes((0xFF, _SOI)):
        msg = "not a JPEG"
        raise InputError(msg)
    found, icc_parts = Container(), dict[int, bytes]()
    while True:
        marker = _next_marker(file)
        if marker in (_SOS, _EOI):
            break
        if marker == _TEM or _RST_FIRST <= marker <= _RST_LAST:
            continue
        raw_size = file.read(2)
        size = int.from_bytes(raw_size, "big") - 2
        if len(raw_size) < 2 or size < 0:
            msg = "the file ends within its header"
            raise InputError(msg)
        body = file.read(size)
        if len(body) < size:
            msg = "the file ends within its header"
            raise InputError(msg)
        _take_jpeg_segment(found, icc_parts, marker, body)
    if not found.n_channels or marker != _SOS:
        msg = "no picture in it"
        raise InputError(msg)
    if icc_parts:
        found.icc = b"".join(icc_parts[k] for k in sorted(icc_parts))
    return found


def _next_marker(file: BinaryIO) -> int:
    byte = file.read(1)
    if byte != b"\xff":
        msg = "the file ends within its header" if not byte else "damaged header"
        raise InputError(msg)
    while byte == b"\xff":  # fill bytes before a marker are legal (T.81, B.1.1.2)
        byte = file.read(1)
    if not byte:
        msg = "the file ends within its header"
        raise InputError(msg)
    return byte[0]


def jpeg_is_whole(data: bytes) -> bool:
    """Tell whether the picture in `data` runs up to its end marker.

    Decoders fill what is missing with grey and say nothing, so a copy that was cut off,
    or whose tail is still zeros, has to be found here.
    """
    at = 2
    # Positions of every FF: markers inside entropy-coded data are found among these.
    flags = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == 0xFF)
    followers = np.frombuffer(data + b"\0", dtype=np.uint8)[flags + 1]
    is_marker = (
        (followers != 0)
        & (followers != 0xFF)
        & ~((followers >= _RST_FIRST) & (followers <= _RST_LAST))
    )
    positions = flags[is_marker]
    i = 0
    while True:
        i = int(np.searchsorted(positions, at))
        if i >= len(positions):
            return False
        at = int(positions[i])
        marker = data[at + 1]
        if marker == _EOI:
            return True
        if marker == _TEM:
            at += 2
            continue
        if at + 4 > len(data):
            return False
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")


def iter_png_chunks(file: BinaryIO) -> Iterator[tuple[bytes, int]]:
    """Yield (type, size) of each chunk with `file` at the chunk's data.

    The caller may read or leave the data. Ends at the file's end or at a chunk that
    does not fit.
    """
    file.seek(0, 2)
    end = file.tell()
    at = len(_PNG_SIGNATURE)
    while at + 12 <= end:
        file.seek(at)
        size, name = struct.unpack(">I4s", file.read(8))
        if at + 12 + size > end:
            return
        yield name, size
        at += 12 + size


def png_without_metadata(data: bytes) -> bytes:
    """Leave only what makes the pixels of a PNG: its critical chunks and transparency.

    libpng prints its opinion of damaged profiles and texts to the terminal, and they are
    read elsewhere.
    """
    file, view = BytesIO(data), memoryview(data)
    kept: list[bytes | memoryview] = [_PNG_SIGNATURE]
    for name, size in iter_png_chunks(file):
        if name[:1].isupper() or name == b"tRNS":
            at = file.tell() - 8
            kept.append(view[at : at + 12 + size])
    return b"".join(kept)


def _inflate(data: bytes) -> bytes | None:
    unpacker = zlib.decompressobj()
    try:
        out = unpacker.decompress(data, _MAX_BLOCK_BYTES)
    except zlib.error:
        return None
    return out if unpacker.eof else None


def _international_text(body: bytes) -> bytes | None:
    """Text of an iTXt chunk (ISO/IEC 15948, 11.3.4.5), unpacked where it is packed."""
    head, _, rest = body.partition(b"\0")
    if head != _PNG_XMP_KEYWORD or len(rest) < 2:
        return None
    is_packed = rest[0] == 1
    parts = rest[2:].split(b"\0", 2)
    if len(parts) < 3:
        return None
    return _inflate(parts[2]) if is_packed else parts[2]


def _take_png_chunk(found: Container, name: bytes, body: bytes) -> None:
    if name == b"eXIf":
        found.exif = body
    elif name == b"iCCP":
        packed = body.partition(b"\0")[2]
        found.icc = _inflate(packed[1:])
    elif name == b"iTXt":
        found.xmp = _international_text(body) or found.xmp
    elif name == b"pHYs" and len(body) == 9:
        across, down, unit = struct.unpack(">IIB", body)
        if unit == 1 and across and down:
            found.per_metre = (float(across), float(down))


def read_png(file: BinaryIO) -> Container:
    """Read a PNG's header and its metadata chunks, before and after the pixels.

    Raises
    ------
    InputError
        The file does not begin with a header chunk.
    """
    found = Container()
    chunks = iter_png_chunks(file)
    name, size = next(chunks, (b"", 0))
    if name != b"IHDR" or size != 13:
        msg = "no PNG header in it"
        raise InputError(msg)
    width, height, bits, coding = struct.unpack(">IIBB", file.read(10))
    channels = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}  # ISO/IEC 15948, table 11.1
    found.width, found.height, found.bits, found.coding = width, height, bits, coding
    found.n_channels = channels.get(coding, 0)
    for name, size in chunks:
        if name in (b"eXIf", b"iCCP", b"iTXt", b"pHYs") and size <= _MAX_BLOCK_BYTES:
            _take_png_chunk(found, name, file.read(size))
    return found
