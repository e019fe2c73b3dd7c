"""Two pictures into one without a seam.

Each band of detail changes over within a zone as wide as the band is coarse (Burt &
Adelson 1983, A multiresolution spline with application to image mosaics, ACM Trans.
Graphics 2, 217-236): fine structures are not doubled, and a difference in brightness
fades out softly.
"""

import numpy as np
import numpy.typing as npt

from stacker._opencv import pyramid_down, pyramid_up
from stacker.frame import ImageF32, Pixels

__all__ = ["blended", "reach_px"]

_REACH_PER_STEP = 4


def reach_px(n_levels: int) -> int:
    """How far beyond its mask a patch of so many levels can change a pixel.

    The 5-tap kernel reaches 2 px at each level, both on the way down (for the mask) and
    on the way up (for the detail): 2 * 2 * (1 + 2 + ... ) = 4 * (2**levels - 1) px.

    Examples
    --------
    >>> reach_px(4)
    60
    """
    return _REACH_PER_STEP * ((1 << n_levels) - 1)


def blended(
    below: Pixels, above: Pixels, mask: npt.NDArray[np.uint8], n_levels: int
) -> Pixels:
    """Lay one picture over another within a mask.

    Parameters
    ----------
    below, above : (h, w) or (h, w, C) uint8 or uint16 arrays, alike
        Not modified.
    mask : (h, w) uint8 array
        255 = above. Farther than `reach_px` from where it is not 0, the result is
        `below`, bit for bit; as far within where it is 255, `above`.
    n_levels : int
        Bands of detail beside the coarsest, at least 1.

    Returns
    -------
    array of the same shape and type
    """
    top = np.iinfo(below.dtype).max
    planes = below.reshape(*below.shape[:2], -1)
    over = above.reshape(planes.shape)
    masks = [mask.astype(np.float32) * np.float32(1 / 255)]
    for _ in range(n_levels):
        masks.append(pyramid_down(masks[-1]))
    out = np.empty_like(planes)
    for c in range(planes.shape[2]):
        base = planes[..., c].astype(np.float32)
        # Only the difference is taken apart: where it is not let through at any level,
        # exactly nothing is added.
        change = _let_through(over[..., c].astype(np.float32) - base, masks)
        out[..., c] = np.clip(np.rint(base + change), 0, top)
    return out.reshape(below.shape)


def _let_through(difference: ImageF32, masks: list[ImageF32]) -> ImageF32:
    """Sum of the bands of a difference, each times the mask of its size."""
    bands, current = [], difference
    for _ in masks[1:]:
        smaller = pyramid_down(current)
        bands.append(current - pyramid_up(smaller, current.shape[:2]))
        current = smaller
    total = current * masks[-1]
    for band, mask in zip(reversed(bands), reversed(masks[:-1]), strict=True):
        total = pyramid_up(total, band.shape[:2]) + band * mask
    return total
