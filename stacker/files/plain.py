"""Uncompressed samples of a TIFF picture, as they lie in the file: mapped, or read."""

import sys
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
import numpy.typing as npt
import tifffile

from stacker.errors import InputError
from stacker.files.mapping import FileMaps

if TYPE_CHECKING:
    from io import FileIO

__all__ = ["WHITE_IS_ZERO", "is_plain", "plain_samples", "read_plain"]

WHITE_IS_ZERO = 0  # PhotometricInterpretation (TIFF 6.0)
_NATIVE = "<" if sys.byteorder == "little" else ">"


def is_plain(page: tifffile.TiffPage) -> bool:
    """Tell whether the samples of a page lie in one piece, uncompressed."""
    return bool(page.is_contiguous and page.compression == 1 and page.predictor == 1)


def plain_samples(
    page: tifffile.TiffPage,
    file: BinaryIO,
    maps: FileMaps,
    rows: tuple[int, int] | None = None,
) -> npt.NDArray[Any] | None:
    """Map uncompressed samples; None where they do not lie in the file as they are.

    Parameters
    ----------
    page : TiffPage
        Of `file`.
    file : file
        Open.
    maps : FileMaps
        Which keeps watch over them.
    rows : (first, end), optional
        Of the picture, for samples that lie pixel by pixel; all where left out.

    Returns
    -------
    (planes, 1, H, W, samples) uint8 or uint16 array or None
        H is that of the rows.
    """
    itemsize = np.dtype(page.dtype).itemsize
    is_native = itemsize == 1 or page.parent.byteorder == _NATIVE
    if not (is_plain(page) and is_native) or page.photometric == WHITE_IS_ZERO:
        return None
    planes, depth, height, width, samples = page.shaped
    first, end = rows or (0, height)
    return maps.samples(
        file,
        str(page.parent.filehandle.path),
        page.dataoffsets[0] + first * width * samples * itemsize,
        (planes, depth, end - first, width, samples),
        page.dtype or np.uint8,
    )


def read_plain(
    file: "FileIO",
    page: tifffile.TiffPage,
    out: npt.NDArray[np.uint16 | np.uint8],
    *,
    first_row: int = 0,
) -> None:
    """Read uncompressed samples straight to their place.

    Parameters
    ----------
    file : file
        Unbuffered.
    page : TiffPage
        Whose samples lie in one piece.
    out : array
        C-contiguous, whole rows in native byte order; written.
    first_row : int
        Of the picture, the first in `out`.
    """
    view = memoryview(out.data).cast("B")
    row_bytes = page.imagewidth * page.samplesperpixel * out.dtype.itemsize
    file.seek(page.dataoffsets[0] + first_row * row_bytes)
    at = 0
    while at < len(view):
        got = file.readinto(view[at:])
        if not got:
            msg = "is cut off"
            raise InputError(msg)
        at += got
    if out.dtype.itemsize > 1 and page.parent.byteorder != _NATIVE:
        out.byteswap(inplace=True)
