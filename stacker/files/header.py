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

from stacker.errors import InputError
from stacker.files.boundary import reading
from stacker.files.containers import (
    Container,
    jpeg_is_whole,
    png_without_metadata,
    read_jpeg,
    read_png,
)
from stacker.files.kinds import SIGNATURE_BYTES, Kind, kind_of
from stacker.files.metadata import capture_facts, metadata_of
from stacker.files.tiff import TiffLayout, check_pixel_count, decode_tiff
from stacker.frame import FrameInfo, Pixels

__all__ = ["Header", "decode", "read_header"]

# TIFF 6.0, Orientation: from these on, rows and columns change places.
_FIRST_TRANSPOSED = 5
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
        "tiff", "png" or "jpeg".
    orientation : int
        1..8, to be applied to the stored pixels.
    tiff : TiffLayout or None
        For TIFF files.
    """

    info: FrameInfo
    kind: Kind
    orientation: int
    tiff: TiffLayout | None = None


def read_header(path: str | PathLike[str], *, max_pixels: int) -> Header:
    """Read what `path` declares, and check that it can be decoded.

    Raises
    ------
    FrameReadError
        The file cannot be opened, is damaged or incomplete, is no grey or RGB picture of
        8 or 16 bit, or declares more than `max_pixels`.
    """
    with reading(path), Path(path).open("rb") as file:
        kind = kind_of(file.read(SIGNATURE_BYTES))
        if kind is None:
            _refuse_unknown(file)
        metadata = metadata_of(file)
        layout: TiffLayout | None = None
        if kind == "tiff":
            layout = TiffLayout.of(file, max_pixels=max_pixels)
            height, width, n_channels, bits, notes = (
                layout.height,
                layout.width,
                layout.n_channels,
                layout.bit_depth,
                layout.notes,
            )
        else:
            found = read_png(file) if kind == "png" else read_jpeg(file)
            check_pixel_count(found.width, found.height, max_pixels)
            n_channels, notes = _check_container(found, kind)
            height, width, bits = found.height, found.width, found.bits
    if metadata.orientation >= _FIRST_TRANSPOSED:
        height, width = width, height
    facts = capture_facts(metadata)
    info = FrameInfo(
        name=fspath(path),
        height=height,
        width=width,
        n_channels=n_channels,
        bit_depth=bits,
        icc_profile=metadata.icc_profile,
        captured=facts.captured,
        focal_length_mm=facts.focal_length_mm,
        f_number=facts.f_number,
        exposure_s=facts.exposure_s,
        iso=facts.iso,
        focus_distance_mm=facts.focus_distance_mm,
        notes=notes,
    )
    return Header(info=info, kind=kind, orientation=metadata.orientation, tiff=layout)


def _refuse_unknown(file: BinaryIO) -> NoReturn:
    file.seek(0)
    head = file.read(SIGNATURE_BYTES)
    if not head:
        msg = "is empty"
    elif not head.strip(b"\0"):
        msg = "begins with zeros: a copy that is not finished?"
    else:
        msg = "is not a TIFF, PNG or JPEG file"
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


def decode(header: Header, *, threads: int) -> Pixels:
    """Decode the file that `header` describes, upright and without alpha.

    Parameters
    ----------
    header : Header
        From `read_header`.
    threads : int
        For formats that are decoded in pieces.

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
            stored = decode_tiff(file, header.tiff, threads=threads)
        else:
            stored = _decode_whole(file.read(), header)
        upright = _upright(stored, header.orientation)
        info = header.info
        shape = (info.height, info.width) + ((3,) if info.n_channels == 3 else ())
        if upright.shape != shape or upright.dtype.itemsize * 8 != info.bit_depth:
            msg = "the picture is not what the header says"
            raise InputError(msg)
        return upright


def _decode_whole(data: bytes, header: Header) -> Pixels:
    if header.kind == "jpeg":
        if not jpeg_is_whole(data):
            msg = "is cut off: the picture's end is missing"
            raise InputError(msg)
        pixels = imagecodecs.jpeg8_decode(data)
    else:
        pixels = imagecodecs.png_decode(png_without_metadata(data))
    n_channels = header.info.n_channels
    if pixels.ndim == 3:  # alpha, or a key colour that the decoder made alpha of
        pixels = pixels[:, :, :n_channels]
        if n_channels == 1:
            pixels = pixels[:, :, 0]
    return cast("Pixels", np.ascontiguousarray(pixels))


def _upright(stored: Pixels, orientation: int) -> Pixels:
    """Apply TIFF 6.0's Orientation: where row 0 and column 0 are on the scene."""
    if orientation == 1:
        return stored
    axes = (1, 0, 2)[: stored.ndim]
    turned = {
        2: lambda a: a[:, ::-1],
        3: lambda a: a[::-1, ::-1],
        4: lambda a: a[::-1],
        5: lambda a: a.transpose(axes),
        6: lambda a: a.transpose(axes)[:, ::-1],
        7: lambda a: a.transpose(axes)[::-1, ::-1],
        8: lambda a: a.transpose(axes)[::-1],
    }[orientation](stored)
    return np.ascontiguousarray(turned)
