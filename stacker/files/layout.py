"""Moving pixels as whole items: much faster than channel by channel.

NumPy copies a transposed (H, W, 3) array three numbers at a time; seen as one item of
six bytes, a pixel is moved at once (three times faster at 100 MP).
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from stacker.frame import Pixels

__all__ = ["first_channels", "upright"]


def first_channels(pixels: npt.NDArray[Any], n_channels: int) -> npt.NDArray[Any]:
    """Keep the first 1 or 3 of a picture's channels.

    Parameters
    ----------
    pixels : (H, W, C) array
        C-contiguous.
    n_channels : int
        1 or 3, at most C.

    Returns
    -------
    (H, W) or (H, W, 3) array
        C-contiguous; not a copy where nothing is dropped.
    """
    height, width, n_stored = pixels.shape
    kept = pixels
    if n_stored > n_channels:
        size = pixels.dtype.itemsize
        parts = np.dtype(
            [
                ("kept", f"V{size * n_channels}"),
                ("rest", f"V{size * (n_stored - n_channels)}"),
            ]
        )
        kept = np.ascontiguousarray(pixels.view(parts)["kept"][..., 0])
    shape = (height, width) if n_channels == 1 else (height, width, n_channels)
    return kept.view(pixels.dtype).reshape(shape)


def upright(stored: Pixels, orientation: int) -> Pixels:
    """Apply TIFF 6.0's Orientation: where row 0 and column 0 are on the scene.

    Parameters
    ----------
    stored : (H, W) or (H, W, 3) array
        C-contiguous.
    orientation : int
        1..8.

    Returns
    -------
    array
        C-contiguous; `stored` itself for 1.
    """
    if orientation == 1:
        return stored
    n_bytes = stored.dtype.itemsize * (3 if stored.ndim == 3 else 1)
    items = stored.view(f"V{n_bytes}").reshape(stored.shape[:2])
    turned = {
        2: items[:, ::-1],
        3: items[::-1, ::-1],
        4: items[::-1],
        5: items.T,
        6: items.T[:, ::-1],
        7: items.T[::-1, ::-1],
        8: items.T[::-1],
    }[orientation]
    shape = (*turned.shape, *stored.shape[2:])
    return np.ascontiguousarray(turned).view(stored.dtype).reshape(shape)
