"""One file with layers: a multi-page TIFF of 16 bit, its pages named.

Page 0 is the master, then come the frames, each with its mask as unassociated alpha.
Editors that read multi-page TIFF as layers keep the depth; the names are PageName tags.
"""

from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import numpy.typing as npt
import tifffile

from stacker.files.packing import is_big_needed, packed
from stacker.frame import Pixels
from stacker.handoff.opened import as_16_bit
from stacker.settings import Compression, OutputSettings

__all__ = ["LayerWriter"]

_PAGE_NAME = 285  # TIFF 6.0
_PAGE_OF_MANY = 2  # NewSubfileType, bit 1
_EXTRA_BYTES_PER_PAGE = 1 << 20  # tables of strips, names, profile


class LayerWriter:
    """Writes the pages one after the other; use it in a ``with`` block.

    Parameters
    ----------
    path : Path
        Overwritten if it exists.
    shape : (height, width, channels)
        Of every page, alpha not counted.
    n_layers : int
        Pages to come, the master included: from their size the kind of file follows.
    icc_profile : bytes or None
        Profile of all pages.
    compression : str
    threads : int
        For packing; 0 = one per core.
    """

    def __init__(
        self,
        path: Path,
        shape: tuple[int, int, int],
        n_layers: int,
        *,
        icc_profile: bytes | None,
        compression: Compression,
        threads: int = 0,
    ) -> None:
        height, width, channels = shape
        page_bytes = height * width * (channels + 1) * 2
        is_big = is_big_needed(
            page_bytes * n_layers, _EXTRA_BYTES_PER_PAGE * n_layers, compression
        )
        self._icc_profile = icc_profile
        self._settings = OutputSettings(compression=compression)
        self._threads = threads
        self._file = tifffile.TiffWriter(path, bigtiff=is_big, byteorder="<")

    def add(
        self, pixels: Pixels, name: str, mask: npt.NDArray[np.uint8] | None = None
    ) -> None:
        """Write the next page.

        Parameters
        ----------
        pixels : (H, W) or (H, W, 3) uint8 or uint16 array
            8 bit are scaled to 16. Colour stays whole where the mask is 0, so that the
            mask can be painted back.
        name : str
            Of the layer.
        mask : (H, W) uint8 array, optional
            Its alpha.
        """
        page = as_16_bit(pixels)
        if mask is not None:
            planes = page[..., None] if page.ndim == 2 else page
            with_alpha = np.empty((*mask.shape, planes.shape[2] + 1), np.uint16)
            with_alpha[..., :-1] = planes
            np.multiply(mask, 257, out=with_alpha[..., -1], dtype=np.uint16)
            page = with_alpha
        text = name.encode("utf-8", "replace") + b"\0"
        self._file.write(
            photometric="rgb" if pixels.ndim == 3 else "minisblack",
            planarconfig="contig" if page.ndim == 3 else None,
            extrasamples=None if mask is None else ["unassalpha"],
            subfiletype=_PAGE_OF_MANY,
            **packed(page, self._settings, self._threads),
            iccprofile=self._icc_profile,
            extratags=[(_PAGE_NAME, 2, len(text), text, True)],
            metadata=None,
            software=False,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()
