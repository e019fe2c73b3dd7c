"""The whole picture for the page: a pyramid of small JPEG files in a folder beside it.

Level 0 is full size; every further level halves it, until all fits one tile. A tile is
``LEVEL/ROW_COLUMN.jpg``.
"""

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stacker._opencv import area_reduce
from stacker.files import to_srgb8
from stacker.files.embed import write_jpeg
from stacker.frame import Pixels

__all__ = ["TILE_PX", "TilePyramid", "write_tiles"]

TILE_PX = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class TilePyramid:
    """What the page must know of the tiles.

    Attributes
    ----------
    size : int
        Side of a tile in pixels.
    levels : int
        Number of levels.
    """

    size: int
    levels: int


def write_tiles(
    folder: Path, picture: Pixels, icc_profile: bytes | None, *, threads: int = 0
) -> TilePyramid:
    """Write the tiles of a picture in sRGB.

    Parameters
    ----------
    folder : Path
        Is made; must not exist.
    picture : (H, W) or (H, W, 3) uint8 or uint16 array
        Not modified.
    icc_profile : bytes or None
        Its profile; None is taken for sRGB.
    threads : int
        For converting and packing; 0 = one per core.

    Returns
    -------
    TilePyramid

    Notes
    -----
    A level is converted in bands of a tile's height and kept in 8 bit for the next:
    half the picture's size in memory.
    """
    folder.mkdir()
    height, width = picture.shape[:2]
    level = 0
    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        current = np.empty((height, width, 3), np.uint8)

        def convert(row: int) -> None:
            band: Pixels = picture[row : row + TILE_PX]
            current[row : row + TILE_PX] = to_srgb8(band, icc_profile)

        list(pool.map(convert, range(0, height, TILE_PX)))
        while True:
            _write_level(pool, folder / str(level), current)
            level += 1
            if max(current.shape[:2]) <= TILE_PX:
                return TilePyramid(size=TILE_PX, levels=level)
            # Odd sizes are padded by their edge, so that a pixel always covers 2 x 2.
            odd = [(0, s % 2) for s in current.shape[:2]]
            even = (
                np.pad(current, (*odd, (0, 0)), mode="edge")
                if sum(map(sum, odd))
                else current
            )
            current = area_reduce(even, (even.shape[0] // 2, even.shape[1] // 2))


def _write_level(
    pool: ThreadPoolExecutor, folder: Path, pixels: npt.NDArray[np.uint8]
) -> None:
    folder.mkdir()

    def write(place: tuple[int, int]) -> None:
        row, column = place
        tile = pixels[
            row * TILE_PX : (row + 1) * TILE_PX,
            column * TILE_PX : (column + 1) * TILE_PX,
        ]
        write_jpeg(folder / f"{row}_{column}.jpg", np.ascontiguousarray(tile))

    rows, columns = (-(-s // TILE_PX) for s in pixels.shape[:2])
    list(pool.map(write, [(i, j) for i in range(rows) for j in range(columns)]))
