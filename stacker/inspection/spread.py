"""How fast blur grows away from focus, in pixels: from the law of sharpness alone."""

import numpy as np

from stacker.geometry import field_scale
from stacker.inspection.advice import focus_distances
from stacker.inspection.reading import Reading

__all__ = ["blur_per_frame"]

# Radius, in pixels of its scale, of the blur disc that halves the amplitude of the
# Laplacian: the integral, up to half a cycle a pixel, of the squared Laplacian of a
# pixel's square times the disc's response, 2 J1(q) / q with q = 2 pi radius frequency
# (Goodman, Introduction to Fourier Optics, section 6.4), over a scene whose power falls
# with the square of frequency (Field 1987, J. Opt. Soc. Am. A 4, 2379). Power falling
# with the frequency itself or its cube gives 0.80 and 1.21.
HALVING_RADIUS_PX = 0.93


def blur_per_frame(r: Reading) -> float:
    """By how many pixels the radius of a blur disc grows per frame away from focus.

    Returns
    -------
    float
        Positive where frames go from near to far, negative the other way; 0 where the
        bracket does not tell: frames out of order, no texture, or no sign of which end
        is near.

    Notes
    -----
    The width of the law of sharpness (`focus`) is where the amplitude has halved. Which
    end is near is told by noted focus distances, else by breathing: nearer focus takes
    the image further from the lens, which narrows the field. (A lens that focuses by
    changing its focal length can do the opposite: distances in the files prevail.)

    Rendered and ray-traced brackets: 0.96, 0.89, 1.04 and 0.92 of the true radius.
    """
    if r.width is None or not r.is_ordered:
        return 0.0
    return _direction(r) * HALVING_RADIUS_PX * (1 << r.level) / r.width


def _direction(r: Reading) -> float:
    """1 where frames go from near to far, -1 the other way, 0 where nothing tells."""
    distances = focus_distances(r)
    if distances is not None:
        return float(np.sign(distances[-1] - distances[0]))
    if r.gauge != "breathing":
        return 0.0
    first, last = (field_scale(r.facts.frames[k].to_first) for k in (0, -1))
    return float(np.sign(last - first))
