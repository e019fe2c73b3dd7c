"""Blurs, pyramids and reductions of (H, W) float32 maps, as OpenCV defines them."""

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = [
    "area_reduced",
    "edge_padded",
    "gaussian_blur",
    "gaussian_kernel",
    "halved",
    "median_5x5",
    "pyramid_down",
    "pyramid_up",
]

# A Gaussian ends after four standard deviations (OpenCV's rule for float images).
REACH_SIGMAS = 4
# Burt & Adelson (1983), the generating kernel with a = 3/8.
BINOMIAL = (1 / 16, 4 / 16, 6 / 16, 4 / 16, 1 / 16)


def _reflected(n: int, reach: int) -> np.ndarray:
    """List -reach .. n + reach - 1, reflected about the centre of the end pixels."""
    k = np.arange(-reach, n + reach)
    if n == 1:
        return np.zeros_like(k)
    k = np.abs(k) % (2 * (n - 1))
    return np.minimum(k, 2 * (n - 1) - k)


def _correlated(xp: Any, image: Any, kernel: Any, axis: int) -> Any:
    n, reach = image.shape[axis], len(kernel) // 2
    wide = xp.take(image, xp.asarray(_reflected(n, reach)), axis=axis)
    out = xp.zeros_like(image)
    for k, factor in enumerate(kernel):
        part = wide[k : k + n] if axis == 0 else wide[:, k : k + n]
        out += part * np.float32(factor)
    return out


def gaussian_kernel(sigma_px: float, reach_px: int = 0) -> npt.NDArray[np.float64]:
    """Taps of a Gaussian, an odd number with a sum of 1."""
    reach = reach_px or round(2 * REACH_SIGMAS * sigma_px + 1) // 2
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_px) ** 2)
    return np.asarray(bell / bell.sum())


def gaussian_blur(xp: Any, image: Any, sigma_px: float, reach_px: int = 0) -> Any:
    """Gaussian blur of a (H, W) float32 array, reflected at the edges."""
    bell = gaussian_kernel(sigma_px, reach_px)
    return _correlated(xp, _correlated(xp, image, bell, 1), bell, 0)


def edge_padded(xp: Any, image: Any, before: int, after: tuple[int, int]) -> Any:
    """Repeat the edge: `before` times at the top and left, `after` at bottom and right."""
    return xp.pad(image, ((before, after[0]), (before, after[1])), mode="edge")


def halved(xp: Any, image: Any) -> Any:
    """Mean of 2 x 2 pixels; an odd last row or column stands for two."""
    height, width = image.shape
    even = edge_padded(xp, image, 0, (height % 2, width % 2))
    rows = even[0::2] + even[1::2]
    return (rows[:, 0::2] + rows[:, 1::2]) * np.float32(0.25)


def median_5x5(xp: Any, image: Any) -> Any:
    """Median over 5 x 5 pixels; the edge repeats."""
    height, width = image.shape
    wide = edge_padded(xp, image, 2, (2, 2))
    shifted = [wide[r : r + height, c : c + width] for r in range(5) for c in range(5)]
    return xp.sort(xp.stack(shifted), axis=0)[12]


def pyramid_down(xp: Any, image: Any) -> Any:
    """Blur with the 5-tap kernel and take every second pixel (Burt & Adelson 1983)."""
    blurred = _correlated(xp, _correlated(xp, image, BINOMIAL, 1), BINOMIAL, 0)
    return xp.ascontiguousarray(blurred[::2, ::2])


def _stretched(xp: Any, image: Any, size: int, axis: int) -> Any:
    """Expand one axis to `size`: reflected before the first, repeated after the last."""
    n = image.shape[axis]
    before = xp.take(image, xp.asarray(np.r_[min(1, n - 1), 0 : n - 1]), axis=axis)
    after = xp.take(image, xp.asarray(np.r_[1:n, n - 1]), axis=axis)
    even = (before + np.float32(6) * image + after) * np.float32(1 / 8)
    odd = (image + after) * np.float32(1 / 2)
    both = xp.stack([even, odd], axis=axis + 1)
    shape = (2 * n, image.shape[1]) if axis == 0 else (image.shape[0], 2 * n)
    return both.reshape(shape)[:size] if axis == 0 else both.reshape(shape)[:, :size]


def pyramid_up(xp: Any, image: Any, shape: tuple[int, int]) -> Any:
    """Expand to `shape`, twice the size or one less, with the same kernel."""
    return _stretched(xp, _stretched(xp, image, shape[1], 1), shape[0], 0)


def _averaged(xp: Any, image: Any, n_out: int, axis: int) -> Any:
    """Mean over the share of each of `n_out` pixels of one axis."""
    n_in = image.shape[axis]
    edges = np.arange(n_out + 1) * (n_in / n_out)
    first = np.floor(edges[:-1]).astype(np.int64)
    across = (n_out, 1) if axis == 0 else (1, n_out)
    total: Any = 0
    for tap in range(int(np.ceil(n_in / n_out)) + 1):
        k = first + tap
        share = np.minimum(edges[1:], k + 1) - np.maximum(edges[:-1], k)
        share = np.clip(share, 0, None) / np.diff(edges)
        samples = xp.take(image, xp.asarray(np.minimum(k, n_in - 1)), axis=axis)
        total = total + samples * xp.asarray(share.astype(np.float32).reshape(across))
    return total


def area_reduced(xp: Any, image: Any, shape: tuple[int, int]) -> Any:
    """Mean over the area of each pixel of a smaller picture of `shape`."""
    return _averaged(xp, _averaged(xp, image, shape[0], 0), shape[1], 1)
