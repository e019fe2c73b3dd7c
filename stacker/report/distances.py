"""Depth in millimetres: from frame numbers to distances of focus.

Between two frames focus is taken to move evenly in the reciprocal of the distance: equal
steps of a lens's focus (thin lens, 1/f = 1/u + 1/v, for image distances v that change
little) are equal steps of 1/u.
"""

from collections.abc import Sequence

import numpy as np

from stacker.errors import InputError
from stacker.frame import ImageF32
from stacker.settings import OutputSettings

__all__ = ["depth_mm", "given_distances"]


def given_distances(
    settings: OutputSettings, n_frames: int
) -> tuple[float, ...] | None:
    """Focus distance of every frame from those of the nearest and the farthest.

    Returns
    -------
    tuple of float or None
        In mm, in depth order, rounded to 0.001 mm; None where none were given.

    Examples
    --------
    >>> given_distances(OutputSettings(near_mm=300, far_mm=600), 3)
    (300.0, 400.0, 600.0)
    """
    if settings.near_mm is None or settings.far_mm is None:
        return None
    power = np.linspace(1 / settings.near_mm, 1 / settings.far_mm, n_frames)
    distances = [round(float(1 / p), 3) for p in power]
    return tuple(distances[::-1] if settings.far_first else distances)


def depth_mm(depth: ImageF32, distances_mm: Sequence[float]) -> ImageF32:
    """Distance of what is seen at each place.

    Parameters
    ----------
    depth : float32 array
        Fractional frame numbers, 0 to n - 1.
    distances_mm : sequence of n floats
        Focus distance of each frame.

    Returns
    -------
    float32 array of the same shape

    Raises
    ------
    InputError
        A distance is not positive.

    Examples
    --------
    >>> float(depth_mm(np.float32([0.5]), [300, 600])[0])
    400.0
    """
    known = np.asarray(distances_mm, dtype=np.float64)
    if not (np.isfinite(known) & (known > 0)).all():
        msg = f"focus distances are {list(distances_mm)}: expected positive numbers"
        raise InputError(msg)
    power = np.interp(depth, np.arange(len(known)), 1 / known)
    return (1 / power).astype(np.float32)
