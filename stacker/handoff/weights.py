"""The share of each frame in the blend, from the maps that a fusion leaves in files."""

import os
from collections.abc import Sequence

import numpy as np

from stacker import _kernels
from stacker.frame import ImageF32, Pixels
from stacker.fusion import focal_weights

__all__ = ["blend_weights"]


def blend_weights(
    depth: Pixels,
    confidence: Pixels,
    coverage: Pixels,
    number: int,
    used: Sequence[int],
    n_frames: int,
) -> ImageF32:
    """Share of one frame in every pixel.

    Parameters
    ----------
    depth : (h, w) uint16 array
        As in the depth file: 0 = frame 0, 65535 = frame n - 1.
    confidence : (h, w) uint8 array
        As in the confidence file.
    coverage : (h, w) uint8 or uint16 array
        As in the coverage file. Where another frame led than the depth would have, the
        depth was moved to an edge of the picture after the fusion: that frame counts.
    number : int
        The frame; one that was left out has no share anywhere.
    used : sequence of int
        The frames that took part, rising.
    n_frames : int
        Frames in the bracket.

    Returns
    -------
    (h, w) float32 array, 0..1
        Over the frames used they sum to 1. Focal interpolation has small negative
        weights beside its peak; a mask cannot have them, they count as 0 here.
    """
    share = np.zeros(depth.shape, np.float32)
    if number not in used:
        return share
    # Weights are counted in used frames: a gap in the bracket is one step there.
    codes = np.arange(65536) * (max(n_frames - 1, 1) / 65535)
    places = np.interp(codes, used, np.arange(len(used))).astype(np.float32)
    sharp, broad = focal_weights()
    ordinal = list(used).index(number)
    ordinals = np.searchsorted(used, np.arange(n_frames)).clip(max=len(used) - 1)
    _kernels.run_strips(
        depth.shape[0],
        os.cpu_count() or 1,
        lambda a, b: _kernels.share_rows(
            depth,
            confidence,
            coverage,
            places,
            ordinals,
            ordinal,
            sharp,
            broad,
            share,
            a,
            b,
        ),
    )
    return share
