"""Is a file all there? Asked of frames that are still being written by somebody else.

Decoders fill what is missing with grey or black and say nothing, so the structure of
the file is looked at: what it speaks of must be in it, and its end must not be zeros.
"""

from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import BinaryIO

import tifffile

from stacker.errors import FrameReadError, InputError
from stacker.files.boundary import reading
from stacker.files.containers import iter_png_chunks, jpeg_is_whole
from stacker.files.header import Header, read_header
from stacker.files.tiff import check_segments
from stacker.frame import FrameInfo

__all__ = ["Examined", "examine"]

_UNCOMPRESSED = 1
# Files grow by blocks, the smallest of which is a disk's sector; so many zeros at the
# end of pixels are doubtful. Packed data end in a checksum or an end code: there, fewer
# are certain (LZW's end code may be followed by a few bits of filling).
_BLOCK_BYTES = 512
_PACKED_END_BYTES = 8
_PNG_END = b"\xaeB`\x82"  # checksum of the empty IEND chunk (ISO/IEC 15948, 11.2.5)
_NOT_FINISHED = "holds only zeros at its end: a copy that is not finished?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """What a look at a file that may still be growing has found.

    Attributes
    ----------
    info : FrameInfo or None
        What its header says; None where it has none yet.
    lacking : str
        Why it is not whole, in words; empty where it is.
    doubt : str
        Why it may not be whole: a picture with a black lower edge looks so, too.
    """

    info: FrameInfo | None
    lacking: str = ""
    doubt: str = ""

    @property
    def is_whole(self) -> bool:
        """True where nothing is missing, and nothing speaks for it."""
        return not (self.lacking or self.doubt)


def examine(path: str | PathLike[str], *, max_pixels: int) -> Examined:
    """Look whether a file is whole, reading no more of it than that takes.

    Parameters
    ----------
    path : path
        A file that nobody seems to be writing any more.
    max_pixels : int
        As for reading.

    Returns
    -------
    Examined
        A file that cannot be read, or is no frame, is not whole either.
    """
    try:
        header = read_header(path, max_pixels=max_pixels)
    except FrameReadError as err:
        return Examined(info=None, lacking=err.reason)
    try:
        with reading(path), Path(path).open("rb") as file:
            doubt = _look_inside(file, header)
    except FrameReadError as err:
        return Examined(info=header.info, lacking=err.reason)
    return Examined(info=header.info, doubt=doubt)


def _look_inside(file: BinaryIO, header: Header) -> str:
    """Raise `InputError` for a part that is missing; tell of a doubt."""
    if header.kind == "jpeg":
        if not jpeg_is_whole(file.read()):
            _refuse("is cut off: the picture's end is missing")
        return ""
    if header.kind == "png":
        if not any(
            name == b"IEND" and file.read(size + 4)[size:] == _PNG_END
            for name, size in iter_png_chunks(file)
        ):
            _refuse("is cut off: its last chunk is missing")
        return ""
    if header.tiff is not None and header.tiff.is_tail_ragged:
        _refuse(_NOT_FINISHED)
    if header.kind == "raw" and Path(header.info.name).suffix.lower() != ".dng":
        size = file.seek(0, 2)
        return _NOT_FINISHED if _is_zero(file, size, _BLOCK_BYTES) else ""
    return _look_at_directories(file)


def _look_at_directories(file: BinaryIO) -> str:
    """Look at every picture in a TIFF or DNG, those in sub-directories included."""
    doubt = ""
    file.seek(0)
    with tifffile.TiffFile(file, _multifile=False) as tif:
        for page in _pages(tif):
            if not page.dataoffsets:
                continue
            check_segments(page, tif.filehandle.size)
            pieces = zip(page.dataoffsets, page.databytecounts, strict=False)
            start, size = max(pieces)
            if page.compression != _UNCOMPRESSED:
                if _is_zero(file, start + size, _PACKED_END_BYTES):
                    _refuse(_NOT_FINISHED)
                continue
            # The lower tiles of a picture are filled up with zeros.
            if _is_zero(file, start + size, size if page.is_tiled else _BLOCK_BYTES):
                doubt = _NOT_FINISHED
    return doubt


def _pages(tif: tifffile.TiffFile) -> list[tifffile.TiffPage]:
    found: list[object] = []
    for page in tif.pages:
        found.append(page)
        if isinstance(page, tifffile.TiffPage):
            found += page.pages or ()
    return [page for page in found if isinstance(page, tifffile.TiffPage)]


def _is_zero(file: BinaryIO, end: int, n_bytes: int) -> bool:
    """Tell whether the bytes before `end` are all zero."""
    file.seek(max(0, end - n_bytes))
    return not file.read(min(end, n_bytes)).strip(b"\0")


def _refuse(message: str) -> None:
    raise InputError(message)
