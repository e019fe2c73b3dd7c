"""Depth at the edges of things: steps where the picture has them, and what they hide.

Sharpness is pooled over some pixels, and the strongest contrast wins: beside a near edge
the depth map calls the background near, two pixels wide. `follow_picture` moves steps of
depth to where the picture changes. `hidden_share` tells where no frame shows what lies
behind a near edge both sharp and clean.
"""

import numpy as np
import numpy.typing as npt

from stacker import _kernels, _opencv
from stacker.frame import ImageF32

__all__ = [
    "DIAGONAL",
    "STEP_ERROR",
    "STEP_FRAMES",
    "closeness_to_steps",
    "follow_picture",
    "hidden_share",
    "likeness_tables",
    "picture_guide",
]

# Depth that changes by this much over five places is a step (not a whole frame, which at
# the ends of a bracket comes out exactly and would be decided by rounding); places up to
# so many further away are judged again, from a window of so many samples each way, two
# places apart.
STEP_FRAMES = 0.9
STEP_REACH, NEAR_REACH = 2, 3
WINDOW_REACH = 3
WINDOW_STRIDE = 2
# Standard deviations of the weights: in places, and in 12-bit codes over three channels
# (a twentieth of full scale).
DISTANCE_SIGMA = 3.5
LIKENESS_SIGMA = 205.0
LIKENESS_END = 4 * LIKENESS_SIGMA
# What lies right at a step of the map counts less: that is where it errs.
DOUBT = 0.1
LEAST_TRUST = 0.02
# Distance over a corner, in places.
DIAGONAL = float(np.sqrt(2))
# So many frames nearer than focus are taken for hidden altogether. Steps of depth are
# known to a place or so (1-2 px on rendered brackets): what is hidden reaches as far on.
SURELY_HIDDEN_FRAMES = 1.0
STEP_ERROR = 1


def picture_guide(
    picture: npt.NDArray[np.uint16], n_channels: int, n_threads: int
) -> npt.NDArray[np.uint16]:
    """Half-size picture in 12 bits, (h, w, C), of one as (H, W * C)."""
    height, width = picture.shape[0], picture.shape[1] // n_channels
    guide = np.empty(((height + 1) // 2, (width + 1) // 2, n_channels), np.uint16)
    _kernels.run_strips(
        guide.shape[0],
        n_threads,
        lambda a, b: _kernels.guide_rows(picture, n_channels, guide, a, b),
    )
    return guide


def closeness_to_steps(
    place: ImageF32,
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """Where a step of depth is right here (1), and where it is near (1)."""
    is_close = (_opencv.local_span(place, STEP_REACH) > STEP_FRAMES).astype(np.uint8)
    return is_close, _opencv.widened(is_close, NEAR_REACH)


def likeness_tables() -> tuple[ImageF32, ImageF32]:
    """Weight by place in the window, and by squared difference of colour.

    The latter in steps of ``1 << LIKENESS_SHIFT`` squared 12-bit codes.
    """
    offset = WINDOW_STRIDE * np.arange(-WINDOW_REACH, WINDOW_REACH + 1)
    bell = np.exp(-0.5 * (offset / DISTANCE_SIGMA) ** 2)
    step = 1 << _kernels.LIKENESS_SHIFT
    apart = step * (np.arange(int(LIKENESS_END**2) // step) + 0.5)
    alike = np.exp(-0.5 * apart / LIKENESS_SIGMA**2)
    return np.outer(bell, bell).astype(np.float32), alike.astype(np.float32)


def follow_picture(
    place: ImageF32,
    certainty: ImageF32,
    guide: npt.NDArray[np.uint16],
    *,
    n_threads: int = 1,
) -> ImageF32:
    """Depth with its steps moved to the edges of the picture.

    Near a step every place takes the weighted median of the depths around: those count
    that are near, look alike, are certain and do not lie at the step itself.

    Parameters
    ----------
    place : (h, w) float32 array
        Depth in frames. Not modified.
    certainty : (h, w) float32 array, range [0, 1]
        How sure it is.
    guide : (h, w, C) uint16 array
        The picture at that size, as `picture_guide` makes it; C = 1 or 3.
    n_threads : int
        Threads to work with.

    Returns
    -------
    (h, w) float32 array
        Within the range of `place`; the same away from steps.

    Notes
    -----
    Extra memory: eight bytes for each place, before the answer is made.

    References
    ----------
    Ma, Z., He, K., Wei, Y., Sun, J. & Wu, E. (2013), Constant time weighted median
    filtering for stereo matching and beyond, ICCV, 49-56 (weights of the bilateral
    filter: Tomasi & Manduchi 1998).
    """
    is_close, is_near = closeness_to_steps(place)
    by_distance, by_likeness = likeness_tables()
    out = np.empty_like(place)
    _kernels.run_strips(
        len(place),
        n_threads,
        lambda a, b: _kernels.follow_rows(
            place,
            certainty,
            guide,
            is_close,
            is_near,
            by_distance,
            by_likeness,
            WINDOW_STRIDE,
            np.float32(LEAST_TRUST),
            np.float32(DOUBT),
            out,
            a,
            b,
        ),
        strips=16,
    )
    return out


def hidden_share(place: ImageF32, blur_px: float, *, n_threads: int = 1) -> ImageF32:
    """Where something nearer is spread over a place in the frame that focuses on it.

    Parameters
    ----------
    place : (h, w) float32 array
        Depth in frames, on a half-size grid. Not modified.
    blur_px : float
        By how many pixels the radius of a blur disc grows per frame away from focus;
        negative where frames go from far to near.
    n_threads : int
        Threads to work with.

    Returns
    -------
    (h, w) float32 array, range [0, 1]
        0 where nothing nearer reaches, 1 where something does that is a frame nearer
        than its blur disc would have to be.

    Notes
    -----
    A thing in focus at frame ``a`` has in frame ``b`` a blur disc of radius
    ``blur_px * |a - b|``, because a thin lens blurs in proportion to the difference of
    1/distance (aperture over image distance; Kingslake 1992, Optics in Photography,
    chapter 5), and steps of focus are even in it. So the disc of a place ``q``, nearer by
    ``d`` frames, reaches all places within ``blur_px * d`` of it: a cone over ``q``
    whose height falls by a frame every `blur_px` pixels. Hidden is what lies below the
    highest cone.
    """
    sign = np.float32(np.sign(blur_px))
    step = np.float32(2 / max(abs(blur_px), 1e-3))
    # No cone reaches further, and strips with so many rows around are as good as all.
    rows_around = int(np.ptp(place) / step) + 1
    share = np.empty_like(place)

    def work(a: int, b: int) -> None:
        top = max(a - rows_around, 0)
        reach = place[top : b + rows_around] * -sign
        _kernels.hide_rows(reach, step, np.float32(DIAGONAL) * step)
        part = np.multiply(place[a:b], sign, out=share[a:b])
        part += reach[a - top : b - top]
        part *= np.float32(1 / SURELY_HIDDEN_FRAMES)
        np.minimum(part, np.float32(1), out=part)

    _kernels.run_strips(len(place), n_threads, work)
    return _opencv.widened(share, STEP_ERROR)
