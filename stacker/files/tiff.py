"""TIFF pixels: what a file's layout is, whether it is whole, and its decoding.

`TiffLayout.of` looks at the header only; `decode` reads. tifffile does the work; here is
what it does not refuse: missing segments, a copy that is not finished, kinds of pixels
that a camera picture does not have.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO, NoReturn, cast

import numpy as np
import tifffile

from stacker.buffers import FrameMemory
from stacker.errors import InputError
from stacker.files.layout import first_channels
from stacker.files.mapping import FileMaps
from stacker.files.plain import WHITE_IS_ZERO, is_plain, plain_samples, read_plain
from stacker.files.segments import declared_size
from stacker.frame import Pixels

if TYPE_CHECKING:
    from io import FileIO

__all__ = [
    "TiffLayout",
    "check_pixel_count",
    "check_segments",
    "decode_tiff",
]

# Photometric interpretations (TIFF 6.0) that are grey or RGB once decoded.
_BLACK_IS_ZERO, _RGB, _YCBCR = 1, 2, 6
_NAMES_OF_OTHERS = {
    3: "palette colour",
    4: "a mask",
    5: "CMYK",
    8: "CIE Lab",
    32803: "raw sensor data",
    34892: "linear raw data",
}
_JPEG = 7
_COMPRESSIONS = {
    1: "none",
    5: "LZW",
    _JPEG: "JPEG",
    8: "deflate",
    32946: "deflate",
    32773: "PackBits",
    34926: "zstd",
    50000: "zstd",
    34892: "lossy JPEG",
    50002: "JPEG XL",
    52546: "JPEG XL",
}
_JPEGS, _JPEG_XLS = (_JPEG, 34892), (50002, 52546)
_HEADER_BYTES = 1 << 16  # in which a JPEG strip's size is looked for
_UNSIGNED = 1  # SampleFormat
_REDUCED = 1  # NewSubfileType, bit 0: a thumbnail
_MAX_PAGES_SEARCHED = 8

_TAIL_PIECE_BYTES = 1 << 20  # zeros at the end are searched in pieces of this size
# An unfinished copy breaks off within a row whose upper neighbour is full up to its
# end: so many of its last bytes are looked at, and so many of them must not be zero
# (dark 16-bit pixels have every second byte zero). Chosen, not measured.
_EDGE_BYTES, _EDGE_NONZERO_BYTES = 64, 16


@dataclass(frozen=True, slots=True, kw_only=True)
class TiffLayout:
    """How the picture of a TIFF file is stored.

    Attributes
    ----------
    page : int
        Which page of the file.
    height, width : int
        As stored, before Orientation.
    n_channels, n_extra : int
        Colour channels (1 or 3) and further ones (alpha).
    bit_depth : int
        8 or 16.
    compression : str
        "none", "deflate", ...
    notes : tuple of str
        What is left out, in words.
    zero_tail_rows : int
        Rows at the end that are all zero bytes in the file; 0 for compressed data.
    is_tail_ragged : bool
        The zeros begin within a row whose upper neighbour has data there: no picture
        looks so, an unfinished copy does.
    """

    page: int
    height: int
    width: int
    n_channels: int
    n_extra: int
    bit_depth: int
    compression: str
    notes: tuple[str, ...] = ()
    zero_tail_rows: int = 0
    is_tail_ragged: bool = False

    @classmethod
    def of(cls, file: BinaryIO, *, max_pixels: int) -> "TiffLayout":
        """Read the header of `file` and check that it can be decoded.

        Raises
        ------
        InputError
            The file is damaged or incomplete, or holds another kind of picture.
        """
        file.seek(0)
        with tifffile.TiffFile(file, _multifile=False) as tif:
            page, number, n_pages = _picture_page(tif)
            height, width = page.imagelength, page.imagewidth
            _check_size(page, max_pixels)
            n_channels, n_extra = _channels(page)
            size = tif.filehandle.size
            check_segments(page, size)
            _check_declared_sizes(page, tif.filehandle)
            tail, is_ragged = _zero_tail(page, tif.filehandle)
        notes = []
        if n_extra:
            notes.append(
                "alpha channel ignored"
                if n_extra == 1
                else f"{n_extra} channels beside the colour ignored"
            )
        if n_pages > 1:
            notes.append(f"only page {number + 1} of {n_pages} used")
        return cls(
            page=number,
            height=height,
            width=width,
            n_channels=n_channels,
            n_extra=n_extra,
            bit_depth=page.bitspersample,
            compression=_COMPRESSIONS[page.compression],
            notes=tuple(notes),
            zero_tail_rows=tail,
            is_tail_ragged=is_ragged,
        )


def _refuse(message: str) -> NoReturn:
    raise InputError(message)


def _picture_page(tif: tifffile.TiffFile) -> tuple[tifffile.TiffPage, int, int]:
    """First page that is no thumbnail, its number, and how many such pages there are."""
    found: list[tuple[tifffile.TiffPage, int]] = []
    for number in range(_MAX_PAGES_SEARCHED):
        try:
            page = tif.pages[number]
        except IndexError:
            break
        if isinstance(page, tifffile.TiffPage) and not page.subfiletype & _REDUCED:
            found.append((page, number))
    if not found:
        is_empty = number == 0
        _refuse("no picture in it" if is_empty else "no picture in it but thumbnails")
    return found[0][0], found[0][1], len(found)


def _check_size(page: tifffile.TiffPage, max_pixels: int) -> None:
    height, width = page.imagelength, page.imagewidth
    if height < 1 or width < 1 or page.imagedepth != 1:
        _refuse(f"declares a size of {width} x {height} x {page.imagedepth}")
    check_pixel_count(width, height, max_pixels)
    if page.is_tiled and page.tilewidth * page.tilelength > max_pixels:
        _refuse(f"declares tiles of {page.tilewidth} x {page.tilelength} pixels")


def check_pixel_count(width: int, height: int, max_pixels: int) -> None:
    """Refuse a picture larger than allowed before memory is asked for.

    Raises
    ------
    InputError
        `width` times `height` exceeds `max_pixels`.
    """
    if width * height > max_pixels:
        _refuse(
            f"declares {width} x {height} pixels, more than the limit of "
            f"{max_pixels} (raise max-pixels if that is right)"
        )


def _channels(page: tifffile.TiffPage) -> tuple[int, int]:
    """Colour channels and further ones; refuse what is no grey or RGB picture."""
    bits, form, colour = page.bitspersample, page.sampleformat, page.photometric
    if page.compression not in _COMPRESSIONS:
        _refuse(f"compression {page.compression} is not supported")
    if colour in _NAMES_OF_OTHERS:
        _refuse(f"holds {_NAMES_OF_OTHERS[colour]}, expected grey or RGB")
    if bits not in (8, 16) or form != _UNSIGNED:
        what = (
            "floating point" if form == 3 else "signed" if form == 2 else "integer"
        )  # TIFF 6.0, SampleFormat
        _refuse(f"has {bits}-bit {what} samples, expected 8 or 16 bit unsigned")
    is_jpeg = page.compression == _JPEG
    if colour == _RGB or (colour == _YCBCR and is_jpeg):
        n_channels = 3
    elif colour in (WHITE_IS_ZERO, _BLACK_IS_ZERO):
        n_channels = 1
    else:
        _refuse(f"colour kind {int(colour)} is not supported")
    n_extra = page.samplesperpixel - n_channels
    if n_extra < 0:
        _refuse(f"has {page.samplesperpixel} channels, expected {n_channels}")
    return n_channels, n_extra


def check_segments(page: tifffile.TiffPage, file_size: int) -> None:
    """Refuse a file that does not hold all strips or tiles it speaks of."""
    across, down = 1, -(-page.imagelength // max(1, page.rowsperstrip))
    if page.is_tiled:
        across = -(-page.imagewidth // page.tilewidth)
        down = -(-page.imagelength // page.tilelength)
    planes = page.samplesperpixel if page.planarconfig == 2 else 1  # 2 = separate
    starts = np.asarray(page.dataoffsets, dtype=np.float64)
    sizes = np.asarray(page.databytecounts, dtype=np.float64)
    expected = 1 if page.is_contiguous else across * down * planes
    if len(starts) < expected or len(sizes) < expected:
        _refuse(f"lists {len(starts)} of {expected} strips or tiles")
    if not (starts[:expected].all() and sizes[:expected].all()):
        _refuse("holds no data for part of the picture")
    end = int((starts + sizes)[:expected].max())
    if page.is_contiguous:
        end = max(end, page.dataoffsets[0] + page.nbytes)
    if end > file_size:
        _refuse(f"is cut off: {file_size} of at least {end} bytes are there")


def _check_declared_sizes(page: tifffile.TiffPage, file: tifffile.FileHandle) -> None:
    """Refuse strips or tiles that would unpack to more than their place."""
    is_jpeg = page.compression in _JPEGS
    if not is_jpeg and page.compression not in _JPEG_XLS:
        return
    height = page.tilelength if page.is_tiled else page.rowsperstrip
    width = page.tilewidth if page.is_tiled else page.imagewidth
    pieces = zip(page.dataoffsets, page.databytecounts, strict=False)
    for start, size in pieces:
        file.seek(start)
        found = declared_size(file.read(min(size, _HEADER_BYTES)), is_jpeg=is_jpeg)
        if found is not None and (found[0] > height or found[1] > width):
            _refuse(
                f"holds a piece of {found[1]} x {found[0]} pixels "
                f"where {width} x {height} are expected"
            )


def _zero_tail(page: tifffile.TiffPage, file: tifffile.FileHandle) -> tuple[int, bool]:
    """Rows of zeros at the end of uncompressed data, and whether they begin ragged."""
    if page.compression != 1:
        return 0, False
    if not page.is_contiguous:
        return _zero_segments(page, file), False
    row_bytes = page.nbytes // page.imagelength
    if page.planarconfig == 2:
        row_bytes //= page.samplesperpixel
    first, n_rows = page.dataoffsets[0], page.nbytes // row_bytes
    end = page.nbytes
    while end > 0:
        begin = max(0, end - (row_bytes if end == page.nbytes else _TAIL_PIECE_BYTES))
        file.seek(first + begin)
        filled = np.flatnonzero(np.frombuffer(file.read(end - begin), dtype=np.uint8))
        if len(filled):
            end = begin + int(filled[-1]) + 1
            break
        end = begin
    row, column = divmod(end, row_bytes)
    tail_rows = n_rows - row - (column > 0)
    is_ragged = False
    if tail_rows and column and row and column <= row_bytes - _EDGE_BYTES:
        file.seek(first + row * row_bytes - _EDGE_BYTES)
        edge = np.frombuffer(file.read(_EDGE_BYTES), dtype=np.uint8)
        is_ragged = bool(np.count_nonzero(edge) >= _EDGE_NONZERO_BYTES)
    return tail_rows, is_ragged


def _zero_segments(page: tifffile.TiffPage, file: tifffile.FileHandle) -> int:
    """Rows' worth of strips or tiles that are all zeros at the end of the file."""
    starts = np.asarray(page.dataoffsets)
    n_zero = 0
    for i in np.argsort(starts)[::-1]:
        file.seek(page.dataoffsets[i])
        if file.read(page.databytecounts[i]).strip(b"\0"):
            break
        n_zero += 1
    return page.imagelength * n_zero // len(starts)


def decode_tiff(
    file: "FileIO",
    layout: TiffLayout,
    *,
    threads: int,
    memory: FrameMemory | None = None,
    maps: FileMaps | None = None,
) -> Pixels:
    """Decode the picture that `layout` describes.

    Parameters
    ----------
    file : FileIO
        Unbuffered, so that samples are read to their place at once.
    layout : TiffLayout
        Of this file.
    threads : int
        For compressed data; at least 1.
    memory : FrameMemory, optional
        Where to decode to.
    maps : FileMaps, optional
        Instead of decoding samples that lie in the file as they are: whose `check`
        tells afterwards whether they stayed there.

    Returns
    -------
    (H, W) or (H, W, 3) uint8 or uint16 array
        C-contiguous, native byte order, as stored (Orientation not applied).

    Raises
    ------
    InputError
        The file is not the one that `layout` was made from.
    """
    with tifffile.TiffFile(file, _multifile=False) as tif:
        page = tif.pages[layout.page]
        if not isinstance(page, tifffile.TiffPage) or (
            (page.imagelength, page.imagewidth) != (layout.height, layout.width)
        ):
            _refuse("has changed while it was in use")
        mapped = plain_samples(page, file, maps) if maps else None
        if mapped is not None:
            stored = mapped
        else:
            room = memory or FrameMemory()
            stored = room.empty(page.shaped, page.dtype or np.uint8)
            if is_plain(page):
                read_plain(file, page, stored)
            else:
                page.asarray(out=stored, maxworkers=threads, squeeze=False)
        is_white_zero = page.photometric == WHITE_IS_ZERO
        is_planar = page.planarconfig == 2
    # (planes, 1, H, W, samples) to (H, W) or (H, W, 3)
    if is_planar:
        planes = stored[: layout.n_channels, 0, :, :, 0]
        pixels = planes[0] if layout.n_channels == 1 else np.moveaxis(planes, 0, -1)
        pixels = np.ascontiguousarray(pixels)
    else:
        pixels = first_channels(stored[0, 0], layout.n_channels)
    if is_white_zero:
        np.invert(pixels, out=pixels)
    return cast("Pixels", pixels)
