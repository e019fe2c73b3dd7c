"""Resampling: Lanczos interpolation in two one-dimensional passes, at exact phases."""

from typing import Any

import numpy as np

from stacker._kernels import LANCZOS_TAPS
from stacker.arrays.warping import places
from stacker.frame import Matrix3x3

__all__ = ["lanczos_weights", "resampled"]

HALF_TAPS = LANCZOS_TAPS // 2
# A value may leave the range of the two samples beside it by this share of it (as in
# `_kernels.sampling`).
SLACK = 1.0


def lanczos_weights(xp: Any, phase: Any) -> Any:
    """Weights of the taps around a place, (..., LANCZOS_TAPS) float32; they sum to 1.

    `phase` is the place less the sample at or before it, which is tap 3 of 0 to 7.

    References
    ----------
    Duchon, C. E. (1979), Lanczos filtering in one and two dimensions, J. Appl. Meteor.
    18, 1016-1022.
    """
    x = phase[..., None] - xp.arange(1 - HALF_TAPS, HALF_TAPS + 1)
    lobes = xp.where(xp.abs(x) < HALF_TAPS, xp.sinc(x) * xp.sinc(x / HALF_TAPS), 0.0)
    return (lobes / lobes.sum(axis=-1, keepdims=True)).astype(np.float32)


def _interpolated(xp: Any, image: Any, place: Any, axis: int) -> Any:
    """Interpolate (H, W, C) along an axis at `place`, (h, w), beyond it the edge.

    Along axis 0 pixel (r, c) of the result is at row `place` of column c; along axis 1 at
    column `place` of row r.
    """
    n = image.shape[axis]
    before = xp.floor(place)
    weights = lanczos_weights(xp, place - before)
    first = before.astype(np.int64) - (HALF_TAPS - 1)
    rows, columns = xp.indices(place.shape, sparse=True)
    samples = []
    for tap in range(LANCZOS_TAPS):
        k = xp.clip(first + tap, 0, n - 1)
        at = (k, columns) if axis == 0 else (rows, k)
        samples.append(image[at].astype(np.float32))
    value = sum(weights[..., t, None] * s for t, s in enumerate(samples))
    beside = samples[HALF_TAPS - 1], samples[HALF_TAPS]
    low, high = xp.minimum(*beside), xp.maximum(*beside)
    spare = np.float32(SLACK) * (high - low)
    return xp.clip(value, low - spare, high + spare)


def resampled(xp: Any, frame: Any, to_frame: Matrix3x3, shape: tuple[int, int]) -> Any:
    """Values of a frame at the pixels of the master, in codes of the frame.

    Parameters
    ----------
    xp : module
        The arrays' own.
    frame : (H, W, C) uint8 or uint16
        Beyond its edges the edge repeats.
    to_frame : (3, 3) array
        Master pixel to frame pixel.
    shape : (height, width)
        Of the master.

    Returns
    -------
    (height, width, C) float32

    Notes
    -----
    Along the frame's columns to where each output row cuts them, then along the output
    rows (Catmull & Smith 1980, 3-D transformations of images in scanline order,
    SIGGRAPH). A projective transform takes rows to straight lines, so both passes find
    their places exactly.
    """
    height, width = shape
    rows = xp.arange(height, dtype=np.float64)[:, None]
    x0, y0 = places(to_frame, 0.0, rows)
    x1, y1 = places(to_frame, float(width), rows)
    columns = xp.arange(frame.shape[1], dtype=np.float64)[None, :]
    cut = y0 + (y1 - y0) / (x1 - x0) * (columns - x0)
    middle = _interpolated(xp, frame, cut, 0)
    across, _ = places(to_frame, xp.arange(width, dtype=np.float64)[None, :], rows)
    return _interpolated(xp, middle, across, 1)
