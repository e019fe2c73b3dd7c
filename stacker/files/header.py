"""What a frame's file is, without decoding it; and its decoding.

`read_header` answers with everything that is known before pixels are touched;
`decode` turns the file into pixels that need no further knowledge of the file.
"""

from dataclasses import dataclass
from os import PathLike, fspath
from pathlib import Path
from typing import BinaryIO, NoReturn, cast

import imagecodecs
import numpy as np

from stacker.buffers import FrameMemory
from stacker.errors import InputError
from stacker.files.boundary import reading
from stacker.files.containers import (
    Container,
    jpeg_is_whole,
    png_without_metadata,
    read_jpeg,
    read_png,
)
from stacker.files.ifd import IfdReader
from stacker.files.kinds import RAW_SUFFIXES, SIGNATURE_BYTES, Kind, kind_of
from stacker.files.layout import first_channels, upright
from stacker.files.mapping import FileMaps
from stacker.files.metadata import (
    CaptureFacts,
    Metadata,
    capture_facts,
    metadata_of,
)
from stacker.files.raw import Development, RawFacts, develop, read_raw_facts
from stacker.files.tiff import TiffLayout, check_pixel_count, decode_tiff
from stacker.frame import FrameInfo, Pixels

__all__ = ["Header", "decode", "read_capture_facts", "read_header"]

# TIFF 6.0, Orientation: from these on, rows and columns change places.
_FIRST_TRANSPOSED = 5
_DNG_VERSION = 50706  # a tag that every DNG has
_INTEROP_INDEX, _ADOBE_RGB = 1, "R03"  # DCF 2.0: the optional colour space
_PNG_PALETTE = 3  # ISO/IEC 15948, table 11.1
_JPEG_LOSSLESS_OR_ARITHMETIC = frozenset(range(0xC3, 0xD0)) - {0xC4}  # T.81, table B.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """A frame's file before decoding.

    Attributes
    ----------
    info : FrameInfo
        For everybody.
    kind : str
        "tiff", "png", "jpeg" or "raw".
    orientation : int
        1..8, to be applied to the stored pixels.
    metadata : Metadata
        All that is embedded.
    tiff : TiffLayout or None
        For TIFF files.
    raw : RawFacts or None
        For camera raw files.
    """

    info: FrameInfo
    kind: Kind
    orientation: int
    metadata: Metadata
    tiff: TiffLayout | None = None
    raw: RawFacts | None = None


@dataclass(slots=True, kw_only=True)
class _Declared:
    """What a header declares of the pixels as stored."""

    height: int
    width: int
    n_channels: int
    bits: int
    notes: tuple[str, ...] = ()
    tiff: TiffLayout | None = None
    raw: RawFacts | None = None


def read_header(path: str | PathLike[str], *, max_pixels: int) -> Header:
    """Read what `path` declares, and check that it can be decoded.

    Raises
    ------
    FrameReadError
        The file cannot be opened, is damaged or incomplete, is no grey or RGB picture of
        8 or 16 bit, or declares more than `max_pixels`.
    """
    with reading(path), Path(path).open("rb") as file:
        kind = _kind(path, file)
        if kind == "raw":
            declared = _declared_raw(path, max_pixels)
        elif kind == "tiff":
            declared = _declared_tiff(file, max_pixels)
        else:
            declared = _declared_container(file, kind, max_pixels)
        metadata = _metadata(file, kind)
    orientation = metadata.orientation
    facts = capture_facts(metadata)
    if declared.raw is not None:
        orientation = declared.raw.orientation
        if facts == CaptureFacts():  # a raw file of its maker's own structure
            facts = declared.raw.capture
    notes = declared.notes
    if declared.raw is None:
        notes = (*notes, *_profile_notes(metadata))
    height, width = declared.height, declared.width
    if orientation >= _FIRST_TRANSPOSED:
        height, width = width, height
    info = FrameInfo(
        name=fspath(path),
        height=height,
        width=width,
        n_channels=declared.n_channels,
        bit_depth=declared.bits,
        icc_profile=metadata.icc_profile,
        captured=facts.captured,
        focal_length_mm=facts.focal_length_mm,
        f_number=facts.f_number,
        exposure_s=facts.exposure_s,
        iso=facts.iso,
        focus_distance_mm=facts.focus_distance_mm,
        notes=notes,
    )
    return Header(
        info=info,
        kind=kind,
        orientation=orientation,
        metadata=metadata,
        tiff=declared.tiff,
        raw=declared.raw,
    )


def _profile_notes(metadata: Metadata) -> tuple[str, ...]:
    is_said = any(
        e.code == _INTEROP_INDEX and e.text() == _ADOBE_RGB for e in metadata.interop
    )
    if metadata.icc_profile is None and is_said:
        return ("EXIF says Adobe RGB, but no colour profile is embedded",)
    return ()


def read_capture_facts(path: str | PathLike[str]) -> CaptureFacts:
    """Tell how a frame was taken, without a look at its picture.

    Raises
    ------
    FrameReadError
        The file cannot be opened or is of no known kind.
    """
    with reading(path), Path(path).open("rb") as file:
        kind = _kind(path, file)
        facts = capture_facts(_metadata(file, kind))
        if kind == "raw" and facts == CaptureFacts():
            return read_raw_facts(path).capture
        return facts


def _kind(path: str | PathLike[str], file: BinaryIO) -> Kind:
    """Kind of a file by its content; by its suffix, too, where it may be raw."""
    kind = kind_of(file.read(SIGNATURE_BYTES))
    is_raw_name = Path(path).suffix.lower() in RAW_SUFFIXES
    if kind == "tiff" and (is_raw_name or _has_dng_version(file)):
        return "raw"
    if kind is not None:
        return kind
    file.seek(0)
    head = file.read(SIGNATURE_BYTES)
    if not is_raw_name or not head.strip(b"\0"):
        _refuse_unknown(head)
    return "raw"


def _has_dng_version(file: BinaryIO) -> bool:
    try:
        reader = IfdReader(file)
    except InputError:
        return False
    return bool(reader.read(reader.first, {_DNG_VERSION}))


def _metadata(file: BinaryIO, kind: Kind) -> Metadata:
    try:
        return metadata_of(file)
    except InputError:
        if kind != "raw":
            raise
        return Metadata()  # a structure of its maker's own


def _declared_raw(path: str | PathLike[str], max_pixels: int) -> _Declared:
    raw = read_raw_facts(path)
    check_pixel_count(raw.width, raw.height, max_pixels)
    return _Declared(height=raw.height, width=raw.width, n_channels=3, bits=16, raw=raw)


def _declared_tiff(file: BinaryIO, max_pixels: int) -> _Declared:
    layout = TiffLayout.of(file, max_pixels=max_pixels)
    return _Declared(
        height=layout.height,
        width=layout.width,
        n_channels=layout.n_channels,
        bits=layout.bit_depth,
        notes=layout.notes,
        tiff=layout,
    )


def _declared_container(file: BinaryIO, kind: Kind, max_pixels: int) -> _Declared:
    found = read_png(file) if kind == "png" else read_jpeg(file)
    check_pixel_count(found.width, found.height, max_pixels)
    n_channels, notes = _check_container(found, kind)
    return _Declared(
        height=found.height,
        width=found.width,
        n_channels=n_channels,
        bits=found.bits,
        notes=notes,
    )


def _refuse_unknown(head: bytes) -> NoReturn:
    if not head:
        msg = "is empty"
    elif not head.strip(b"\0"):
        msg = "begins with zeros: a copy that is not finished?"
    else:
        msg = "is not a TIFF, PNG, JPEG or camera raw file"
    raise InputError(msg)


def _check_container(found: Container, kind: Kind) -> tuple[int, tuple[str, ...]]:
    """Colour channels and notes of a JPEG or PNG; refuse what is not grey or RGB."""
    if found.width < 1 or found.height < 1:
        msg = f"declares a size of {found.width} x {found.height}"
        raise InputError(msg)
    if kind == "png":
        if found.coding == _PNG_PALETTE:
            msg = "holds palette colour, expected grey or RGB"
            raise InputError(msg)
        if found.bits not in (8, 16) or not found.n_channels:
            msg = f"has {found.bits}-bit samples, expected 8 or 16 bit"
            raise InputError(msg)
        if found.n_channels in (2, 4):
            return found.n_channels - 1, ("alpha channel ignored",)
        return found.n_channels, ()
    if found.bits != 8 or found.coding in _JPEG_LOSSLESS_OR_ARITHMETIC:
        msg = f"is a {found.bits}-bit JPEG of an unusual kind, expected 8 bit"
        raise InputError(msg)
    if found.n_channels not in (1, 3):
        msg = "holds CMYK or another kind of colour, expected grey or RGB"
        raise InputError(msg)
    return found.n_channels, ()


def decode(
    header: Header,
    *,
    threads: int,
    development: Development | None = None,
    is_draft: bool = False,
    memory: FrameMemory | None = None,
    maps: FileMaps | None = None,
) -> Pixels:
    """Decode the file that `header` describes, upright and without alpha.

    Parameters
    ----------
    header : Header
        From `read_header`.
    threads : int
        For formats that are decoded in pieces.
    development : Development, optional
        For camera raw files, which cannot be decoded without.
    is_draft : bool
        Develop those faster, for a look only.
    memory : FrameMemory, optional
        Where TIFF and JPEG are decoded to.
    maps : FileMaps, optional
        See `tiff.decode_tiff`.

    Returns
    -------
    (H, W) or (H, W, 3) uint8 or uint16 array
        C-contiguous.

    Raises
    ------
    FrameReadError
        The file is damaged, incomplete or no longer what the header said.
    """
    path = header.info.name
    with reading(path), Path(path).open("rb", buffering=0) as file:
        if header.tiff is not None:
            stored = decode_tiff(
                file, header.tiff, threads=threads, memory=memory, maps=maps
            )
        elif header.raw is not None and development is not None:
            whole = develop(path, development, is_draft=is_draft)
            rows, columns = header.raw.height, header.raw.width
            stored = cast("Pixels", np.ascontiguousarray(whole[:rows, :columns]))
        else:
            stored = _decode_whole(file.read(), header, memory or FrameMemory())
        pixels = upright(stored, header.orientation)
        info = header.info
        shape = (info.height, info.width) + ((3,) if info.n_channels == 3 else ())
        if pixels.shape != shape or pixels.dtype.itemsize * 8 != info.bit_depth:
            msg = "the picture is not what the header says"
            raise InputError(msg)
        return pixels


def _decode_whole(data: bytes, header: Header, memory: FrameMemory) -> Pixels:
    n_channels = header.info.n_channels
    if header.kind == "jpeg":
        if not jpeg_is_whole(data):
            msg = "is cut off: the picture's end is missing"
            raise InputError(msg)
        size = (header.info.height, header.info.width)
        if header.orientation >= _FIRST_TRANSPOSED:
            size = size[::-1]
        shape = (*size, 3) if n_channels == 3 else size
        pixels = imagecodecs.jpeg8_decode(data, out=memory.empty(shape, np.uint8))
    else:
        pixels = imagecodecs.png_decode(png_without_metadata(data))
    if pixels.ndim == 3:  # alpha, or a key colour that the decoder made alpha of
        pixels = first_channels(pixels, n_channels)
    return cast("Pixels", pixels)
