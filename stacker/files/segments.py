"""What a packed strip or tile says of its own size.

JPEG and JPEG XL data carry their size, and their decoders ask for memory by it before
anybody can compare it with the picture that it is a part of.
"""

from io import BytesIO

from stacker.errors import InputError
from stacker.files.containers import read_jpeg

__all__ = ["declared_size", "jpegxl_size"]

# ISO/IEC 18181-1: a bare codestream's first bytes; the box that holds one otherwise.
_CODESTREAM, _BOXES = b"\xff\x0a", (b"jxlc", b"jxlp")
_PART_NUMBER_BYTES = 4  # follows "jxlp"
# SizeHeader: bits of a size by its selector; width as a fraction of height by ratio.
_SIZE_BITS = (9, 13, 18, 30)
_RATIOS = ((1, 1), (1, 1), (12, 10), (4, 3), (3, 2), (16, 9), (5, 4), (2, 1))
_HEADER_BYTES = 16


def declared_size(data: bytes, *, is_jpeg: bool) -> tuple[int, int] | None:
    """Height and width that a JPEG or JPEG XL declares; None where it has no header."""
    if is_jpeg:
        try:
            found = read_jpeg(BytesIO(data))
        except InputError:
            return None
        return found.height, found.width
    return jpegxl_size(data)


def jpegxl_size(data: bytes) -> tuple[int, int] | None:
    """Height and width from a JPEG XL's SizeHeader (ISO/IEC 18181-1, annex D).

    Examples
    --------
    >>> jpegxl_size(bytes.fromhex("ff0a7f4050"))  # 256 x 256: small, equal sides
    (256, 256)
    """
    at = 0 if data.startswith(_CODESTREAM) else _codestream_in_boxes(data)
    if at < 0:
        return None
    bits = int.from_bytes(data[at + 2 : at + 2 + _HEADER_BYTES], "little")

    def take(n: int) -> int:
        nonlocal bits
        value = bits & ((1 << n) - 1)
        bits >>= n
        return value

    is_small = take(1) == 1

    def side() -> int:
        return (take(5) + 1) * 8 if is_small else take(_SIZE_BITS[take(2)]) + 1

    height = side()
    ratio = take(3)
    if ratio == 0:
        return height, side()
    across, down = _RATIOS[ratio]
    return height, height * across // down


def _codestream_in_boxes(data: bytes) -> int:
    for name in _BOXES:
        found = data.find(name)
        if found >= 0:
            at = found + len(name) + (_PART_NUMBER_BYTES if name == b"jxlp" else 0)
            return at if data[at : at + 2] == _CODESTREAM else -1
    return -1
