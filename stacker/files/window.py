"""Part of a TIFF picture, without decoding the rest of the file."""

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import tifffile

from stacker.buffers import FrameMemory
from stacker.errors import InputError
from stacker.files.boundary import reading
from stacker.files.header import Header
from stacker.files.mapping import FileMaps
from stacker.files.plain import WHITE_IS_ZERO, is_plain, plain_samples, read_plain
from stacker.frame import Box, Pixels

if TYPE_CHECKING:
    from io import FileIO

__all__ = ["tiff_window"]

_CONTIGUOUS = 1  # PlanarConfiguration


def tiff_window(
    header: Header,
    box: Box,
    memory: FrameMemory | None = None,
    maps: FileMaps | None = None,
) -> Pixels | None:
    """Decode the pixels of a TIFF file in `box`, without alpha.

    Parameters
    ----------
    header : Header
        From `read_header`.
    box : Box
        Region of the picture; must lie within it.
    memory : FrameMemory, optional
        Where to decode to.
    maps : FileMaps, optional
        See `tiff.decode_tiff`.

    Returns
    -------
    (h, w) or (h, w, 3) uint8 or uint16 array, or None
        C-contiguous; the same pixels as decoding the whole file gives there. None where
        that is what must be done: other formats, and TIFF files that are stored turned
        or one channel after the other.

    Raises
    ------
    FrameReadError
        The file is damaged, or no longer what the header said.
    """
    layout = header.tiff
    if layout is None or header.orientation != 1:
        return None
    path = Path(header.info.name)
    with reading(path), tifffile.TiffFile(path, _multifile=False) as tif:
        page = tif.pages[layout.page]
        if not isinstance(page, tifffile.TiffPage) or (
            (page.imagelength, page.imagewidth) != (layout.height, layout.width)
        ):
            msg = "has changed while it was in use"
            raise InputError(msg)
        if page.planarconfig != _CONTIGUOUS:
            return None
        samples = _segments(page, box, memory or FrameMemory(), maps)
        pixels = samples[..., : layout.n_channels]
        if page.photometric == WHITE_IS_ZERO:
            pixels = np.invert(pixels)
    pixels = pixels if layout.n_channels == 3 else pixels[..., 0]
    return cast("Pixels", np.ascontiguousarray(pixels))


def _segments(
    page: tifffile.TiffPage, box: Box, memory: FrameMemory, maps: FileMaps | None
) -> np.ndarray[Any, Any]:
    """Read samples of `page` in `box`, all channels, from the segments it touches."""
    if is_plain(page):
        opened = cast("FileIO", page.parent.filehandle)
        rows = (box.row, box.row + box.height)
        whole: np.ndarray[Any, Any]
        mapped = plain_samples(page, opened, maps, rows) if maps else None
        if mapped is not None:
            whole = mapped[0, 0]
        else:
            shape = (box.height, page.imagewidth, page.samplesperpixel)
            whole = memory.empty(shape, page.dtype or np.uint8)
            read_plain(opened, page, whole, first_row=box.row)
        return whole[:, box.column : box.column + box.width]
    across, down = page.imagewidth, page.rowsperstrip
    if page.is_tiled:
        across, down = page.tilewidth, page.tilelength
    per_row = -(-page.imagewidth // across)
    numbers = [
        i * per_row + j
        for i in range(box.row // down, (box.row + box.height - 1) // down + 1)
        for j in range(box.column // across, (box.column + box.width - 1) // across + 1)
    ]
    out = np.zeros((box.height, box.width, page.samplesperpixel), page.dtype)
    file = page.parent.filehandle

    def take(number: int, data: bytes) -> None:
        found, place, _ = page.decode(data, number, jpegtables=page.jpegtables)
        if found is None:
            msg = "holds no data for part of the picture"
            raise InputError(msg)
        top, left = place[2] - box.row, place[3] - box.column
        tile = found[0]
        rows = slice(max(top, 0), min(top + tile.shape[0], box.height))
        columns = slice(max(left, 0), min(left + tile.shape[1], box.width))
        out[rows, columns] = tile[
            rows.start - top : rows.stop - top,
            columns.start - left : columns.stop - left,
        ]

    def job(number: int) -> tuple[int, bytes]:
        file.seek(page.dataoffsets[number])
        return number, file.read(page.databytecounts[number])

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        # Read here, in order; decode there.
        for done in [pool.submit(take, *job(n)) for n in numbers]:
            done.result()
    return out
