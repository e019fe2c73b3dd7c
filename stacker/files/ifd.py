"""Tags as they are stored: the directories of TIFF files and of EXIF blocks.

Values are kept as bytes, in little-endian order, so that what a camera wrote reaches the
master exactly; nothing is interpreted but on request. Classic TIFF and BigTIFF, both
byte orders (TIFF 6.0, section 2; BigTIFF design of 2007; Exif 3.0, section 4.6.2).

Reading order: `Entry`, `IfdReader.read`, `pack_ifd`.
"""

import struct
from collections.abc import Container, Iterable
from dataclasses import dataclass
from typing import BinaryIO

from stacker.errors import InputError

__all__ = [
    "ASCII",
    "BYTE",
    "LONG",
    "RATIONAL",
    "SHORT",
    "UNDEFINED",
    "Entry",
    "IfdReader",
    "ascii_entry",
    "number_entry",
    "pack_ifd",
]

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED = 1, 2, 3, 4, 5, 7
_SIGNED_RATIONAL, _LONG8 = 10, 16

# Type number -> (bytes per value, bytes per swapped unit, struct letter); TIFF 6.0,
# section 2, and BigTIFF's 16..18. 13 is the IFD offset of TIFF Technical Note 1, 129 is
# Exif 3.0's UTF-8.
_TYPES: dict[int, tuple[int, int, str]] = {
    1: (1, 1, "B"),
    2: (1, 1, "B"),
    3: (2, 2, "H"),
    4: (4, 4, "I"),
    5: (8, 4, "I"),
    6: (1, 1, "b"),
    7: (1, 1, "B"),
    8: (2, 2, "h"),
    9: (4, 4, "i"),
    10: (8, 4, "i"),
    11: (4, 4, "f"),
    12: (8, 8, "d"),
    13: (4, 4, "I"),
    16: (8, 8, "Q"),
    17: (8, 8, "q"),
    18: (8, 8, "Q"),
    129: (1, 1, "B"),
}
_CLASSIC, _BIG = 42, 43

# Bounds on what a directory may ask for; both far above what cameras write (a maker
# note reaches some hundred kB, a directory some 150 entries). Not measured.
_MAX_VALUE_BYTES = 64 << 20
_MAX_ENTRIES = 4096


@dataclass(frozen=True, slots=True)
class Entry:
    """One tag of a directory.

    Attributes
    ----------
    code : int
        Tag number.
    kind : int
        TIFF type number.
    count : int
        Number of values.
    data : bytes
        The values, little-endian.
    """

    code: int
    kind: int
    count: int
    data: bytes

    def numbers(self) -> tuple[float, ...]:
        """Give the values as numbers; a rational with denominator 0 is NaN."""
        size, unit, letter = _TYPES[self.kind]
        flat = struct.unpack(f"<{len(self.data) // unit}{letter}", self.data)
        if size == unit:
            return flat
        pairs = zip(flat[::2], flat[1::2], strict=True)
        return tuple(a / b if b else float("nan") for a, b in pairs)

    def number(self) -> float | None:
        """Give the first value, or None where there is none or it is not finite."""
        values = self.numbers()
        if not values or values[0] - values[0] != 0:  # NaN and infinity
            return None
        return float(values[0])

    def text(self) -> str:
        """Give the text up to its first NUL: UTF-8, else Latin-1."""
        raw = self.data.split(b"\0", 1)[0].strip()
        try:
            return raw.decode("utf-8")
        except UnicodeDecodeError:
            return raw.decode("latin-1")


def ascii_entry(code: int, text: str) -> Entry:
    """Make a text entry; other than ASCII goes in as UTF-8, as Exif readers expect."""
    data = text.encode("utf-8", "replace") + b"\0"
    return Entry(code, ASCII, len(data), data)


def number_entry(code: int, kind: int, value: int) -> Entry:
    """Make an entry of one whole number of type SHORT or LONG."""
    return Entry(code, kind, 1, struct.pack("<" + _TYPES[kind][2], value))


def _little_endian(data: bytes, kind: int, order: str) -> bytes:
    unit = _TYPES[kind][1]
    if order == "<" or unit == 1:
        return data
    swapped = bytearray(len(data))
    for i in range(unit):
        swapped[i::unit] = data[unit - 1 - i :: unit]
    return bytes(swapped)


class IfdReader:
    """Directories of one TIFF structure.

    Parameters
    ----------
    file : binary file
        Positioned anywhere; used for seek and read only.
    base : int
        Where the structure begins in the file: offsets count from there.

    Raises
    ------
    InputError
        The first bytes are not those of a TIFF structure.
    """

    def __init__(self, file: BinaryIO, base: int = 0) -> None:
        self._file = file
        self._base = base
        head = self._read_at(0, 16)
        order = {b"II": "<", b"MM": ">"}.get(head[:2])
        if order is None or len(head) < 8:
            msg = "not a TIFF structure"
            raise InputError(msg)
        version = struct.unpack_from(order + "H", head, 2)[0]
        if version not in (_CLASSIC, _BIG) or (version == _BIG and len(head) < 16):
            msg = f"not a TIFF structure (version {version})"
            raise InputError(msg)
        self.byte_order = order
        self.is_big = version == _BIG
        self.first = (
            struct.unpack_from(order + "Q", head, 8)[0]
            if self.is_big
            else struct.unpack_from(order + "I", head, 4)[0]
        )

    def _read_at(self, offset: int, size: int) -> bytes:
        self._file.seek(self._base + offset)
        return self._file.read(size)

    def read(
        self, offset: int, wanted: Container[int] | None = None
    ) -> dict[int, Entry]:
        """Entries of the directory at `offset`, by code.

        Entries of an unknown type, or whose values lie outside the file, are left out:
        one damaged tag does not make a picture unreadable.

        Parameters
        ----------
        offset : int
            From the beginning of the structure.
        wanted : container of int, optional
            Codes to read; all by default.
        """
        count_size, entry_size = (8, 20) if self.is_big else (2, 12)
        head = self._read_at(offset, count_size)
        if len(head) < count_size:
            return {}
        letter = "Q" if self.is_big else "H"
        n_entries: int = struct.unpack(self.byte_order + letter, head)[0]
        if n_entries > _MAX_ENTRIES:
            return {}
        table = self._read_at(offset + count_size, n_entries * entry_size)
        found: dict[int, Entry] = {}
        for at in range(0, len(table) - entry_size + 1, entry_size):
            code = struct.unpack_from(self.byte_order + "H", table, at)[0]
            if wanted is None or code in wanted:
                entry = self._entry(table[at : at + entry_size])
                if entry is not None:
                    found.setdefault(code, entry)
        return found

    def _entry(self, raw: bytes) -> Entry | None:
        layout = "HHQ" if self.is_big else "HHI"
        code, kind, count = struct.unpack_from(self.byte_order + layout, raw)
        if kind not in _TYPES:
            return None
        size = count * _TYPES[kind][0]
        if size > _MAX_VALUE_BYTES:
            return None
        inline = raw[12:] if self.is_big else raw[8:]
        if size <= len(inline):
            data = inline[:size]
        else:
            letter = "Q" if self.is_big else "I"
            data = self._read_at(
                struct.unpack(self.byte_order + letter, inline)[0], size
            )
            if len(data) < size:
                return None
        return Entry(code, kind, count, _little_endian(data, kind, self.byte_order))


def pack_ifd(entries: Iterable[Entry], *, offset: int, is_big: bool) -> bytes:
    """Serialise a directory, little-endian, to be put at `offset` of a file.

    Parameters
    ----------
    entries : iterable of Entry
        In any order; written in ascending order of code as TIFF 6.0 demands.
    offset : int
        Where the answer's first byte will lie, counted from the TIFF structure's
        beginning; even.
    is_big : bool
        BigTIFF layout.

    Returns
    -------
    bytes
        The table followed by the values that do not fit into it; of even length.
    """
    rows = sorted(entries, key=lambda e: e.code)
    count_code, row_code, inline_size, next_size = (
        ("<Q", "<HHQ", 8, 8) if is_big else ("<H", "<HHI", 4, 4)
    )
    row_size = struct.calcsize(row_code) + inline_size
    table = bytearray(struct.pack(count_code, len(rows)))
    values = bytearray()
    values_at = offset + len(table) + len(rows) * row_size + next_size
    for entry in rows:
        table += struct.pack(row_code, entry.code, entry.kind, entry.count)
        if len(entry.data) <= inline_size:
            table += entry.data.ljust(inline_size, b"\0")
        else:
            table += struct.pack("<Q" if is_big else "<I", values_at + len(values))
            values += entry.data
            if len(values) % 2:  # values begin on a word boundary
                values += b"\0"
    table += bytes(next_size)
    return bytes(table + values)
