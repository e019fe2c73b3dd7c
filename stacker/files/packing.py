"""How the pixels of a TIFF are laid out and packed.

tifffile packs strips and tiles itself, but for deflate: ISA-L's encoder takes a fifth of
the time for files of the same size.
"""

import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt
from isal import isal_zlib

from stacker.frame import Pixels
from stacker.settings import Compression, OutputSettings

__all__ = ["is_big_needed", "packed"]

_ROWS_PER_STRIP = 32  # about 2 MB a strip at 100 MP: several per thread, small buffers
_TILE_PX = 512
_ISAL_LEVEL = 1  # of 0 to 3; 2 and 3 save nothing of a 16-bit picture and take longer
_ENCODE_BUFFER_BYTES = 64 << 20  # what tifffile may compress ahead of writing

# Name of tifffile's codec; worst size against uncompressed: LZW writes up to 12 bits for
# a byte (TIFF 6.0, section 13), the others some header bytes for each strip.
_CODECS: dict[Compression, tuple[str | None, float]] = {
    "none": (None, 1.0),
    "deflate": ("zlib", 1.01),
    "lzw": ("lzw", 1.5),
    "zstd": ("zstd", 1.01),
}
_CLASSIC_LIMIT = 2**32 - 2**20  # offsets have 32 bits; a margin for tables of strips


def is_big_needed(pixel_bytes: int, extra_bytes: int, compression: Compression) -> bool:
    """Tell whether a file must be BigTIFF, from the size before compression.

    Examples
    --------
    >>> is_big_needed(600_000_000, 0, "deflate"), is_big_needed(5 * 10**9, 0, "zstd")
    (False, True)
    """
    return pixel_bytes * _CODECS[compression][1] + extra_bytes > _CLASSIC_LIMIT


def packed(pixels: Pixels, settings: OutputSettings, threads: int) -> dict[str, Any]:
    """Arguments of tifffile's writers for a picture, laid out as `settings` ask for.

    Parameters
    ----------
    pixels : (H, W) or (H, W, C) uint8 or uint16 array
        Read while the file is written.
    settings : OutputSettings
        `compression` and `tiles` are used.
    threads : int
        For packing; 0 = one per core.
    """
    threads = threads or os.cpu_count() or 1
    codec = _CODECS[settings.compression][0]
    found: dict[str, Any] = {"data": pixels}
    if settings.tiles:
        side = (_TILE_PX, _TILE_PX)
        found["tile"] = side
    else:
        side = (min(_ROWS_PER_STRIP, pixels.shape[0]), pixels.shape[1])
    if codec is None:
        return found
    if not settings.tiles:
        found["rowsperstrip"] = side[0]
    found |= {"compression": codec, "predictor": True}
    if settings.compression == "deflate":
        data = _deflated(pixels, side, threads, is_tiled=settings.tiles)
        return found | {"data": data, "shape": pixels.shape, "dtype": pixels.dtype}
    return found | {"maxworkers": threads, "buffersize": _ENCODE_BUFFER_BYTES}


def _deflated(
    pixels: Pixels, side: tuple[int, int], threads: int, *, is_tiled: bool
) -> Iterator[bytes]:
    """Give strips or tiles as they are stored, in order, some packed ahead."""
    height, width = pixels.shape[:2]
    corners = (
        (row, column)
        for row in range(0, height, side[0])
        for column in range(0, width, side[1])
    )

    def pack(row: int, column: int) -> bytes:
        part: npt.NDArray[Any] = pixels[row : row + side[0], column : column + side[1]]
        if is_tiled and part.shape[:2] != side:
            beyond = [(0, n - m) for n, m in zip(side, part.shape[:2], strict=True)]
            part = np.pad(part, beyond + [(0, 0)] * (part.ndim - 2))
        part = np.ascontiguousarray(part, part.dtype.newbyteorder("<"))
        # TIFF 6.0, section 14: differences to the left neighbour, channel by channel.
        differences = imagecodecs.delta_encode(part, axis=1)
        return isal_zlib.compress(differences, _ISAL_LEVEL)

    with ThreadPoolExecutor(threads) as pool:
        ahead: deque[Future[bytes]] = deque()
        for corner in corners:
            ahead.append(pool.submit(pack, *corner))
            if len(ahead) > 2 * threads:
                yield ahead.popleft().result()
        while ahead:
            yield ahead.popleft().result()
