"""The typed door to OpenCV: restates dtypes and turns its errors into ours.

Only the calls that the package needs, each in one place, so that a trap of the library
is corrected once. `cv2.error` does not leave this module.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, cast

import cv2
import numpy as np
import numpy.typing as npt

from stacker.frame import ImageF32, Matrix3x3
from stacker.settings import Motion

__all__ = [
    "area_reduce",
    "broad_blur",
    "components",
    "dilate_disc",
    "find_transform_ecc",
    "gaussian_blur",
    "laplacian_energy",
    "local_span",
    "look_up",
    "luma_of",
    "median_5x5",
    "pyramid_down",
    "pyramid_up",
    "resize_linear",
    "set_threads",
    "single_threaded",
    "spread_range",
    "warp_linear",
    "weighted_sum",
    "widened",
]

# Correlation that changes by less is as good as found: a finer step follows.
ECC_EPS = 1e-5

_ECC_MOTION: dict[Motion, int] = {
    "translation": cv2.MOTION_TRANSLATION,
    # OpenCV has no similarity for ECC: affine is run and projected by the caller.
    "similarity": cv2.MOTION_AFFINE,
    "affine": cv2.MOTION_AFFINE,
    "homography": cv2.MOTION_HOMOGRAPHY,
}


LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Weights of red, green and blue in luma (ITU-R BT.709-6, 3.2)."""


def set_threads(n_threads: int) -> None:
    """Limit OpenCV's own thread pool; 0 = one per core."""
    cv2.setNumThreads(n_threads if n_threads > 0 else -1)


@contextmanager
def single_threaded() -> Iterator[None]:
    """Keep OpenCV to the thread that calls it, for work that shares out frames itself."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def gaussian_blur(
    image: ImageF32, sigma_px: float, reach_px: int = 0, *, out: ImageF32 | None = None
) -> ImageF32:
    """Gaussian blur of a (H, W) float32 image, edges replicated by reflection.

    It ends `reach_px` from the middle; 0 = after four standard deviations. `out` may be
    the image itself.
    """
    side = 2 * reach_px + 1 if reach_px else 0
    return cast("ImageF32", cv2.GaussianBlur(image, (side, side), sigma_px, dst=out))


def broad_blur(image: ImageF32, sigma_px: float) -> ImageF32:
    """Gaussian blur by several pixels, made at a quarter of the size."""
    if min(image.shape) < 16:
        return gaussian_blur(image, sigma_px)
    quarter = (image.shape[0] // 4, image.shape[1] // 4)
    small = area_reduce(image, quarter)
    # Boxes of four pixels and the linear way back blur a little themselves.
    own = (4.0**2 - 1) / 12 + 4.0**2 / 6
    sigma = float(np.sqrt(max(sigma_px**2 - own, 1.0))) / 4
    return resize_linear(gaussian_blur(small, sigma), image.shape)


def laplacian_energy(image: ImageF32, sigma_px: float, reach_px: int = 0) -> ImageF32:
    """Squared 4-neighbour Laplacian of a (H, W) image, pooled as by `gaussian_blur`."""
    edges = cast("ImageF32", cv2.Laplacian(image, cv2.CV_32F))
    np.multiply(edges, edges, out=edges)
    return gaussian_blur(edges, sigma_px, reach_px, out=edges)


def median_5x5(image: ImageF32) -> ImageF32:
    """Median over 5x5 pixels of a (H, W) float32 image."""
    return cast("ImageF32", cv2.medianBlur(image, 5))


def dilate_disc(image: npt.NDArray[Any], radius_px: int) -> npt.NDArray[Any]:
    """Largest value within `radius_px` pixels, any dtype OpenCV dilates."""
    side = 2 * radius_px + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return cast("npt.NDArray[Any]", cv2.dilate(image, disc))


def local_span(image: ImageF32, reach_px: int) -> ImageF32:
    """Largest less smallest value of the square `reach_px` pixels each way."""
    square = np.ones((2 * reach_px + 1, 2 * reach_px + 1), np.uint8)
    span = cv2.dilate(image, square)
    return cast("ImageF32", cv2.subtract(span, cv2.erode(image, square), dst=span))


def widened(image: npt.NDArray[Any], reach_px: int) -> npt.NDArray[Any]:
    """Largest value of the square `reach_px` pixels each way; uint8 or float32."""
    square = np.ones((2 * reach_px + 1, 2 * reach_px + 1), np.uint8)
    return cast("npt.NDArray[Any]", cv2.dilate(image, square))


def components(
    mask: npt.NDArray[np.uint8],
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    """Label what touches by side or corner, from 1 on.

    Returns
    -------
    labels : (H, W) int32 array
    boxes : (k, 4) int32 array
        Row, column, height and width of each.
    """
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    order = [cv2.CC_STAT_TOP, cv2.CC_STAT_LEFT, cv2.CC_STAT_HEIGHT, cv2.CC_STAT_WIDTH]
    return (
        cast("npt.NDArray[np.int32]", labels),
        cast("npt.NDArray[np.int32]", stats[1:, order]),
    )


def spread_range(
    low: npt.NDArray[Any], high: npt.NDArray[Any], n_channels: int
) -> None:
    """Widen a range to that of the 3x3 pixels around each place, in place.

    `low` and `high` are (H, W * C) arrays of interleaved channels.
    """
    kernel = np.ones((3, 3), np.uint8)
    for flat, spread in ((low, cv2.erode), (high, cv2.dilate)):
        image = flat.reshape(flat.shape[0], -1, n_channels)
        spread(image, kernel, dst=image)


def luma_of(image: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Luma of a (H, W, C) image as (H, W), dtype kept, rounded to it."""
    return image[..., 0] if image.shape[2] == 1 else weighted_sum(image, LUMA)


def weighted_sum(
    image: npt.NDArray[Any], weights: npt.NDArray[Any]
) -> npt.NDArray[Any]:
    """Sum over the channels of a (H, W, C) image times `weights` (C,), dtype kept.

    Not as a product of matrices: threads of BLAS would spin beside the decoder.
    """
    return cast("npt.NDArray[Any]", cv2.transform(image, weights.reshape(1, -1)))


def look_up(codes: npt.NDArray[Any], table: ImageF32) -> ImageF32:
    """Value of each code, per channel.

    Parameters
    ----------
    codes : (H, W, C) uint8 or uint16 array
        C-contiguous, native byte order.
    table : (C, 256) or (C, 65536) float32 array
        For every code of that dtype.
    """
    by_code = np.ascontiguousarray(table.T)[None]
    return cast("ImageF32", cv2.LUT(codes, by_code).reshape(codes.shape))


def pyramid_down(image: ImageF32) -> ImageF32:
    """Blur with the 5-tap binomial kernel and halve (Burt & Adelson 1983)."""
    return cast("ImageF32", cv2.pyrDown(image))


def pyramid_up(image: ImageF32, shape: tuple[int, int]) -> ImageF32:
    """Expand to `shape` (height, width) with the same kernel; both sizes may be odd."""
    return cast("ImageF32", cv2.pyrUp(image, dstsize=(shape[1], shape[0])))


def area_reduce(image: npt.NDArray[Any], shape: tuple[int, int]) -> npt.NDArray[Any]:
    """Area-averaged copy of `image` with `shape` (height, width), dtype kept."""
    size_wh = (shape[1], shape[0])
    return cast(
        "npt.NDArray[Any]", cv2.resize(image, size_wh, interpolation=cv2.INTER_AREA)
    )


def resize_linear(image: ImageF32, shape: tuple[int, int]) -> ImageF32:
    """Bilinear resize to `shape` (height, width); pixel centres as in `geometry`."""
    size_wh = (shape[1], shape[0])
    return cast("ImageF32", cv2.resize(image, size_wh, interpolation=cv2.INTER_LINEAR))


def warp_linear(
    image: ImageF32,
    out_to_in: Matrix3x3,
    shape: tuple[int, int],
    *,
    outside: float | None = None,
    out: ImageF32 | None = None,
) -> ImageF32:
    """Sample `image` bilinearly at ``out_to_in @ (x, y, 1)`` for each output pixel.

    Pixels whose place lies outside the image are `outside`, or the nearest edge pixel
    where that is None.
    """
    size_wh = (shape[1], shape[0])
    border = cv2.BORDER_REPLICATE if outside is None else cv2.BORDER_CONSTANT
    return cast(
        "ImageF32",
        cv2.warpPerspective(
            image,
            out_to_in,
            size_wh,
            dst=out,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=border,
            borderValue=(outside or 0.0,) * 4,
        ),
    )


def find_transform_ecc(
    reference: ImageF32,
    moving: ImageF32,
    seed_ref_to_mov: Matrix3x3,
    motion: Motion,
    n_iterations: int,
) -> tuple[float, Matrix3x3] | None:
    """Register `moving` to `reference` by ECC (Evangelidis & Psarakis 2008).

    Parameters
    ----------
    reference, moving : (H, W) float32 arrays
        Blurred as wanted: OpenCV's own blur (``gaussFiltSize`` above 1) biases the
        scale by up to 6e-5, so it is not used.
    seed_ref_to_mov : (3, 3) float64 array
        First guess; not modified (OpenCV would change it in place).
    motion : str
        Motion model; "similarity" runs affine, which the caller projects.
    n_iterations : int
        At most so many.

    Returns
    -------
    (correlation, ref_to_mov) or None
        None where OpenCV finds no answer: flat images, or no correlation at all.
    """
    rows = 3 if motion == "homography" else 2
    warp = seed_ref_to_mov[:rows].astype(np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, n_iterations, ECC_EPS)
    mask = np.full(moving.shape, 255, np.uint8)
    try:
        value, found = cv2.findTransformECC(
            reference, moving, warp, _ECC_MOTION[motion], criteria, mask, 1
        )
    except cv2.error:
        return None
    matrix = np.eye(3)
    matrix[:rows] = found
    if not np.isfinite(matrix).all() or not np.isfinite(value):
        return None
    return float(value), matrix
