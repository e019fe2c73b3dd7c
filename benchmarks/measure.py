"""Figures of merit of a fused picture, its depth and its registration against truth.

Pictures are float32, encoded 0..1, on the truth's grid. Each figure has one definition
here, used by the tests and by `benchmarks.quality` alike.
"""

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt
from skimage.color import deltaE_ciede2000, rgb2lab
from skimage.metrics import structural_similarity

from benchmarks.brackets import Truth, luma_of
from benchmarks.lens import F32, F64

OVERSHOOT_MARGIN = 0.03  # of full scale beyond the truth's local range
FLOOR = 1e-12  # keeps the logarithm of a perfect picture finite: 120 dB


def psnr(picture: F32, truth: F32, mask: npt.NDArray[np.bool_]) -> float:
    """Peak signal to noise in dB over a mask; NaN where the mask is empty."""
    if not mask.any():
        return float("nan")
    error = ((picture - truth) ** 2).mean(-1)[mask].mean(dtype=np.float64)
    return float(-10 * np.log10(max(error, FLOOR)))


def ssim_map(picture: F32, truth: F32) -> F32:
    """Structural similarity of luma, settings of Wang et al. 2004, (H, W)."""
    _, similarity = structural_similarity(
        luma_of(truth), luma_of(picture), full=True, gaussian_weights=True, sigma=1.5,
        use_sample_covariance=False, data_range=1.0,
    )  # fmt: skip
    return np.asarray(similarity, np.float32)


def delta_e(picture: F32, truth: F32, mask: npt.NDArray[np.bool_]) -> float:
    """Mean CIEDE2000 after a 5 x 5 mean (colour, not noise), every second pixel."""
    every = (slice(None, None, 2), slice(None, None, 2))
    a, b = (
        rgb2lab(np.clip(cv2.blur(p, (5, 5))[every], 0, 1)) for p in (truth, picture)
    )
    return float(deltaE_ciede2000(a, b)[mask[every]].mean())


def overshoot(picture: F32, truth: F32, mask: npt.NDArray[np.bool_]) -> float:
    """Per mille of pixels whose 3 x 3 mean leaves the truth's 9 x 9 range by over 3 %."""
    k9 = np.ones((9, 9), np.uint8)
    known, smooth = luma_of(truth), cv2.blur(luma_of(picture), (3, 3))
    high, low = cv2.dilate(known, k9), cv2.erode(known, k9)
    out = (smooth > high + OVERSHOOT_MARGIN) | (smooth < low - OVERSHOOT_MARGIN)
    return float(1000 * out[mask].mean())


def fine_noise(picture: F32, truth: F32, mask: npt.NDArray[np.bool_]) -> float:
    """Take the standard deviation over a mask of the error less its 7 x 7 mean."""
    if not mask.any():
        return float("nan")
    error = picture - truth
    error = error - cv2.blur(error, (7, 7))
    return float(error[mask].std())


def score_picture(picture: F32, truth: Truth, one_frame: F32) -> dict[str, float]:
    """All figures of a picture; `one_frame` is the reference frame as delivered."""
    known = truth.picture
    similarity = ssim_map(picture, known)
    return {
        "psnr_all": psnr(picture, known, truth.inside),
        "psnr_interior": psnr(picture, known, truth.interior),
        "psnr_edge": psnr(picture, known, truth.edge),
        "psnr_flat": psnr(picture, known, truth.flat),
        "ssim": float(similarity[truth.inside].mean()),
        "delta_e": delta_e(picture, known, truth.inside),
        "overshoot": overshoot(picture, known, truth.inside),
        "noise_gain": fine_noise(picture, known, truth.flat)
        / max(fine_noise(one_frame, known, truth.flat), 1e-9),
    }


def score_depth(depth: F32, truth: Truth) -> dict[str, float]:
    """Median and 95th percentile of the depth error in frames, on textured solids."""
    error = np.abs(depth - truth.depth)[truth.solid]
    return {
        "depth_mae": float(np.median(error)),
        "depth_p95": float(np.percentile(error, 95)),
    }


def corner_error_px(found: F64, known: F64, size_wh: tuple[int, int]) -> float:
    """Largest distance in pixels of the frame's corners under two transforms."""
    w, h = size_wh
    corners = np.array([[0, 0, 1], [w - 1, 0, 1], [0, h - 1, 1], [w - 1, h - 1, 1.0]])
    a, b = found @ corners.T, known @ corners.T
    return float(np.hypot(*(a[:2] / a[2] - b[:2] / b[2])).max())


def score_transforms(
    found: Sequence[F64], known: Sequence[F64], size_wh: tuple[int, int]
) -> dict[str, float]:
    """Mean and worst over the frames of the corner error, in pixels."""
    errors = [corner_error_px(a, b, size_wh) for a, b in zip(found, known, strict=True)]
    return {
        "align_px": float(np.mean(errors)),
        "align_px_worst": float(np.max(errors)),
    }
