"""Small highlights that are cut off at white: their depth is that of the place they lie on.

Blurred, a highlight a hundred times white is cut off to a disc with an edge as hard as
any in focus, and wider in every frame further off: round a glint the sharpest frame is
the most blurred one. Where all that is around agrees on a depth, that depth is the
glint's too.
"""

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.depth import FocusMaps, carried_over
from stacker.frame import Box

__all__ = ["WHITE", "settle_glints"]

# Luma from which on a frame is taken for cut off: light is normalised between frames, so
# white need not be 1.
WHITE = 0.95
# How far beyond what is white in any frame the hard edge spoils the depth, in half-size
# places: the reach of the pooled Laplacian.
REACH = 4
# Larger ones are surfaces, and have a depth of their own. At this size (places) nothing
# that is carried over has far to go.
LARGEST = 64
# What lies around, so many places wide, is this certain on average and differs by no more
# than so many frames between its tenth and its ninetieth percentile.
AROUND, CERTAIN, SPREAD_FRAMES = 2, 0.9, 1.0
FEWEST_AROUND = 8
# Inside, this part of the places contradicts it by more than so many frames.
CONTRADICTING, APART_FRAMES = 0.1, 1.0


def settle_glints(maps: FocusMaps, is_white: npt.NDArray[np.uint8]) -> int:
    """Carry depth over into small highlights, in place.

    Parameters
    ----------
    maps : FocusMaps
        On the master's grid; changed.
    is_white : (h, w) uint8 array
        Where some frame is cut off at white (1).

    Returns
    -------
    int
        How many highlights were settled.
    """
    if not is_white.any():
        return 0
    spoilt = _opencv.widened(is_white, REACH)
    labels, boxes = _opencv.components(spoilt)
    n_settled = 0
    for k, (row, column, height, width) in enumerate(boxes.tolist(), 1):
        if max(height, width) <= LARGEST:
            box = Box(row=row, column=column, height=height, width=width)
            n_settled += _settle(maps, labels, spoilt, k, box)
    return n_settled


def _settle(
    maps: FocusMaps,
    labels: npt.NDArray[np.int32],
    spoilt: npt.NDArray[np.uint8],
    number: int,
    box: Box,
) -> bool:
    """Settle one highlight; False where it needs none, or what is around disagrees."""
    top, left = max(box.row - AROUND, 0), max(box.column - AROUND, 0)
    here = np.s_[
        top : box.row + box.height + AROUND, left : box.column + box.width + AROUND
    ]
    glint = labels[here] == number
    around = _opencv.widened(glint.astype(np.uint8), AROUND) > spoilt[here]
    index, certainty = maps.index[here], maps.certainty[here]
    if np.count_nonzero(around) < FEWEST_AROUND:
        return False
    low, high = np.percentile(index[around], (10, 90))
    if certainty[around].mean() < CERTAIN or high - low > SPREAD_FRAMES:
        return False
    inside = index[glint]
    is_apart = (inside < low - APART_FRAMES) | (inside > high + APART_FRAMES)
    if is_apart.mean() < CONTRADICTING:
        return False
    part = FocusMaps(index=index, fill=maps.fill[here], certainty=certainty)
    found = carried_over(part, glint)
    maps.index[here] = found.index
    maps.fill[here] = found.fill
    maps.certainty[here] = found.certainty
    return True
