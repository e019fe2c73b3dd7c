"""A look at an uncompressed TIFF picture where it lies, without reading all of it."""

from pathlib import Path
from typing import cast

import numpy as np
import numpy.typing as npt
import tifffile

from stacker.errors import InputError
from stacker.files.boundary import reading
from stacker.files.header import Header
from stacker.files.mapping import FileMaps
from stacker.files.plain import WHITE_IS_ZERO, is_plain
from stacker.frame import Pixels

__all__ = ["tiff_view"]

_SEPARATE = 2  # PlanarConfiguration


def tiff_view(header: Header, maps: FileMaps) -> Pixels | None:
    """Map the pixels of a TIFF file into memory, upright and without alpha.

    Only what is touched is read, which makes samples of a large frame cheap.

    Parameters
    ----------
    header : Header
        From `read_header`.
    maps : FileMaps
        Whose `check` tells afterwards whether the pixels stayed there.

    Returns
    -------
    (H, W) or (H, W, 3) uint8 or uint16 array, or None
        Read-only, in the file's byte order, with any strides. None for other formats
        and for compressed, tiled or inverted pixels, which have to be decoded, and where
        nothing can be mapped.

    Raises
    ------
    FrameReadError
        The file is damaged, or no longer what the header said.
    """
    layout = header.tiff
    if layout is None or layout.compression != "none":
        return None
    path = Path(header.info.name)
    with reading(path), path.open("rb") as file:
        with tifffile.TiffFile(file, _multifile=False) as tif:
            page = tif.pages[layout.page]
            if not isinstance(page, tifffile.TiffPage) or (
                (page.imagelength, page.imagewidth) != (layout.height, layout.width)
            ):
                msg = "has changed while it was in use"
                raise InputError(msg)
            if not is_plain(page) or page.photometric == WHITE_IS_ZERO:
                return None
            dtype = np.dtype(page.dtype).newbyteorder(tif.byteorder)
            shape, offset = page.shaped, page.dataoffsets[0]
            is_planar = page.planarconfig == _SEPARATE
        stored = maps.samples(file, str(path), offset, shape, dtype, is_ahead=False)
    if stored is None:
        return None
    stored.flags.writeable = False
    # (planes, 1, H, W, samples) to (H, W) or (H, W, 3)
    if is_planar:
        pixels = np.moveaxis(stored[: layout.n_channels, 0, :, :, 0], 0, -1)
    else:
        pixels = stored[0, 0, :, :, : layout.n_channels]
    if layout.n_channels == 1:
        pixels = pixels[:, :, 0]
    return cast("Pixels", _turned(pixels, header.orientation))


def _turned(
    stored: npt.NDArray[np.generic], orientation: int
) -> npt.NDArray[np.generic]:
    """Apply TIFF 6.0's Orientation by strides alone."""
    axes = (1, 0, 2)[: stored.ndim]
    turned = stored.transpose(axes) if orientation >= 5 else stored
    rows, columns = _FLIPS[orientation]
    return turned[:: -1 if rows else 1, :: -1 if columns else 1]


# Rows, columns to be reversed, after the transposition of 5 to 8.
_FLIPS = {
    1: (False, False),
    2: (False, True),
    3: (True, True),
    4: (True, False),
    5: (False, False),
    6: (False, True),
    7: (True, True),
    8: (True, False),
}
