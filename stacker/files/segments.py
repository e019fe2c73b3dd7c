"""What JPEG and JPEG XL data say of themselves, alone or as a strip or tile of a TIFF.

Their decoders ask for memory by the size that the data declare, before anybody can
compare it with the picture that they are a part of.
"""

from io import BytesIO

from stacker.errors import InputError
from stacker.files.containers import read_jpeg

__all__ = ["declared_size", "jpegxl_size", "mark_jpegxl_srgb"]

# ISO/IEC 18181-1: a bare codestream's first bytes; the box that holds one otherwise.
_CODESTREAM, _BOXES = b"\xff\x0a", (b"jxlc", b"jxlp")
_PART_NUMBER_BYTES = 4  # follows "jxlp"
# SizeHeader: bits of a size by its selector; width as a fraction of height by ratio.
_SIZE_BITS = (9, 13, 18, 30)
_RATIOS = ((1, 1), (1, 1), (12, 10), (4, 3), (3, 2), (16, 9), (5, 4), (2, 1))
_HEADER_BYTES = 64
# Enumerations (annex D): 2 bits select 0, 1, 2 + 4 bits, or 18 + 6 bits.
_ENUM_BITS, _ENUM_OFFSETS = (0, 0, 4, 6), (0, 1, 2, 18)
_GREY_SPACE, _LINEAR, _SRGB = 1, 8, 13


def declared_size(data: bytes, *, is_jpeg: bool) -> tuple[int, int] | None:
    """Height and width that a JPEG or JPEG XL declares; None where it has no header."""
    if is_jpeg:
        try:
            found = read_jpeg(BytesIO(data))
        except InputError:
            return None
        return found.height, found.width
    return jpegxl_size(data)


class _Bits:
    """Bits of a codestream's header, the lowest of each byte first."""

    def __init__(self, data: bytes | bytearray, at: int) -> None:
        self._value = int.from_bytes(data[at : at + _HEADER_BYTES], "little")
        self.position = 0

    def take(self, n: int) -> int:
        value = (self._value >> self.position) & ((1 << n) - 1)
        self.position += n
        return value

    def size(self) -> tuple[int, int]:
        """SizeHeader: height and width."""
        is_small = self.take(1) == 1
        height = self._side(is_small=is_small)
        ratio = self.take(3)
        if ratio == 0:
            return height, self._side(is_small=is_small)
        across, down = _RATIOS[ratio]
        return height, height * across // down

    def _side(self, *, is_small: bool) -> int:
        if is_small:
            return (self.take(5) + 1) * 8
        return self.take(_SIZE_BITS[self.take(2)]) + 1

    def enum(self) -> int:
        choice = self.take(2)
        return _ENUM_OFFSETS[choice] + self.take(_ENUM_BITS[choice])


def jpegxl_size(data: bytes) -> tuple[int, int] | None:
    """Height and width from a JPEG XL's SizeHeader (ISO/IEC 18181-1, annex D).

    Examples
    --------
    >>> jpegxl_size(bytes.fromhex("ff0a7f4050"))  # 256 x 256: small, equal sides
    (256, 256)
    """
    at = _codestream_at(data)
    return None if at < 0 else _Bits(data, at + len(_CODESTREAM)).size()


def mark_jpegxl_srgb(data: bytearray) -> None:
    """Say in a JPEG XL of plain grey or RGB samples that they are sRGB; in place.

    The encoder in use declares 16-bit samples as linear light and has no option for it.
    Both names of curves take four bits in the header, so that nothing moves.

    Raises
    ------
    InputError
        The header declares something else than linear or sRGB samples.
    """
    at = _codestream_at(data)
    bits = _Bits(data, at + len(_CODESTREAM))
    bits.size()
    is_default, has_more = bits.take(1), bits.take(1)
    is_float, depth = bits.take(1), bits.take(2)
    bits.take(6 if depth == 3 else 0)  # bits per sample, where not 8, 10 or 12
    bits.take(1)  # whether 16-bit buffers suffice
    n_extra, is_xyb = bits.take(2), bits.take(1)
    if at < 0 or is_default or has_more or is_float or n_extra or is_xyb:
        msg = "a JPEG XL header of another kind than expected"
        raise InputError(msg)
    if bits.take(1):  # colour by default: sRGB
        return
    has_profile, space = bits.take(1), bits.enum()
    bits.enum()  # white point
    if space != _GREY_SPACE:
        bits.enum()  # primaries
    has_gamma, curve = bits.take(1), bits.enum()
    if curve == _SRGB:
        return
    if has_profile or has_gamma or curve != _LINEAR:
        msg = "a JPEG XL header with other colours than expected"
        raise InputError(msg)
    first = bits.position - _ENUM_BITS[2]
    for i in range(_ENUM_BITS[2]):
        byte, bit = divmod((at + len(_CODESTREAM)) * 8 + first + i, 8)
        data[byte] &= ~(1 << bit)
        data[byte] |= ((_SRGB - _ENUM_OFFSETS[2]) >> i & 1) << bit


def _codestream_at(data: bytes | bytearray) -> int:
    return 0 if data.startswith(_CODESTREAM) else _codestream_in_boxes(data)


def _codestream_in_boxes(data: bytes | bytearray) -> int:
    for name in _BOXES:
        found = data.find(name)
        if found >= 0:
            at = found + len(name) + (_PART_NUMBER_BYTES if name == b"jxlp" else 0)
            return at if data[at : at + 2] == _CODESTREAM else -1
    return -1
