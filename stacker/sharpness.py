"""How sharp each place of a frame is, and how much of that is noise.

The measure is the Laplacian energy of luma (the best of the operators compared by Pertuz
et al. 2013 in clean images), taken at full resolution and pooled to half size. Noise
raises it everywhere: `NoiseModel` measures by how much, from the bracket itself.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stacker import _kernels
from stacker.frame import ImageF32, Pixels, TransferTable
from stacker.geometry import half_shape

__all__ = ["NoiseFloor", "NoiseModel", "laplacian_energy", "pooling_taps"]

# Pooling of the energy, in half-size pixels: 2 px at full size keeps edges apart and
# still averages some fifty samples (measured: 1.5 gains 0.1 dB inside textures and loses
# 0.4 dB at edges on the quality bracket).
POOL_SIGMA = 1.0
# Cut off at two standard deviations: half the time, and 0.03 dB better at edges.
POOL_REACH = 2
# Pure white noise: 5 % quantile of the pooled energy over its mean (simulated, 4 MP).
NOISE_QUANTILE = 0.05
NOISE_QUANTILE_OVER_MEAN = 0.645
BRIGHTNESS_BINS = 48
ENERGY_BINS = 240
# log2 of the energies that the histogram spans: a tenth of a 16-bit step squared to 1.
LOG2_RANGE = (-40.0, 4.0)
MIN_BIN_SAMPLES = 400
# Brightnesses used: clipped codes have no noise at either end.
USABLE_LUMA = (0.02, 0.9)
SAMPLES_PER_FRAME = 200_000
# How much less a brightness counts where the fit runs below what was seen there.
UNDERSHOOT_WEIGHT = 0.15


def pooling_taps() -> ImageF32:
    """Weights that pool energy: of the middle, of the places beside it, of the outermost.

    Returns
    -------
    (POOL_REACH + 1,) float32 array
        A Gaussian; both sides together sum to 1.
    """
    bell = np.exp(-0.5 * (np.arange(POOL_REACH + 1) / POOL_SIGMA) ** 2)
    return np.asarray(bell / (2 * bell.sum() - bell[0]), np.float32)


def laplacian_energy(
    raw: Pixels,
    *,
    n_threads: int = 1,
    out: tuple[ImageF32, ImageF32] | None = None,
) -> tuple[ImageF32, ImageF32]:
    """Pooled squared Laplacian of luma, at half size, and luma at half size.

    Parameters
    ----------
    raw : (H, W, C) uint8 or uint16 array
        A frame as decoded; C = 1 or 3 (RGB). Not modified.
    n_threads : int
        Threads to work with.
    out : pair of arrays, optional
        Where the answers go.

    Returns
    -------
    energy : (ceil(H/2), ceil(W/2)) float32 array
        Mean squared Laplacian (4-neighbour kernel) round each place, of luma in 0..1.
    luma : float32 array of the same shape, range [0, 1]

    Notes
    -----
    Noise is not subtracted. Extra memory: two half-size maps.

    References
    ----------
    Pertuz, Puig & Garcia (2013), Analysis of focus measure operators for
    shape-from-focus, Pattern Recognition 46, 1415-1432 (operator LAP1).
    """
    shape = half_shape(raw.shape[:2])
    energy, luma = out or (np.empty(shape, np.float32), np.empty(shape, np.float32))
    scale = np.float32(1 / np.iinfo(raw.dtype).max)
    flat, taps = raw.reshape(raw.shape[0], -1), pooling_taps()
    _kernels.run_strips(
        shape[0],
        n_threads,
        lambda a, b: _kernels.energy_rows(
            flat, raw.shape[2], scale, taps, energy, luma, a, b
        ),
    )
    return energy, luma


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseFloor:
    """Energy that noise alone gives, by brightness.

    Attributes
    ----------
    curve : (256,) float32 array
        Pooled Laplacian energy of pure noise at luma 0..1 in equal steps.
    read, shot, constant : float
        The three terms fitted: variance of luma in linear light that does not depend on
        light, that is proportional to it, and that is constant in encoded values.
    """

    curve: ImageF32
    read: float
    shot: float
    constant: float

    def at(self, luma: ImageF32) -> ImageF32:
        """Noise energy at each value of a luma map, same shape, float32."""
        k = np.clip(luma * 255, 0, 255)
        low = k.astype(np.uint8)
        high = np.minimum(low, 254) + 1
        frac = (k - low).astype(np.float32)
        return np.asarray(
            self.curve[low] * (1 - frac) + self.curve[high] * frac, np.float32
        )

    def sigma(self, luma: float) -> float:
        """Return the standard deviation of one pixel's luma noise at a brightness."""
        # A white-noise pixel of variance s^2 has Laplacian energy (4^2 + 4) s^2.
        return float(np.sqrt(np.interp(luma, np.linspace(0, 1, 256), self.curve) / 20))


class NoiseModel:
    """Collects energies of all frames and ends with the noise floor.

    The places where a frame shows least energy at a given brightness are flat or out of
    focus: what is left there is noise. Photon transfer (EMVA 1288, release 4.0, section
    2: variance = read noise + gain times signal, in linear light) ties the brightnesses
    together, so that a brightness that occurs in textures only is not mistaken for
    noise.
    """

    def __init__(self) -> None:
        self._counts = np.zeros((BRIGHTNESS_BINS, ENERGY_BINS), np.int64)

    def add(self, energy: ImageF32, luma: ImageF32) -> None:
        """Take one frame's maps as `laplacian_energy` returns them."""
        step = max(1, int(np.sqrt(energy.size / SAMPLES_PER_FRAME)))
        e, v = energy[::step, ::step].ravel(), luma[::step, ::step].ravel()
        low, high = LOG2_RANGE
        k = np.log2(np.maximum(e, 2.0**low))
        row = np.minimum((v * BRIGHTNESS_BINS).astype(np.int64), BRIGHTNESS_BINS - 1)
        col = np.clip((k - low) * (ENERGY_BINS / (high - low)), 0, ENERGY_BINS - 1)
        flat = row * ENERGY_BINS + col.astype(np.int64)
        found = np.bincount(flat, minlength=self._counts.size)
        self._counts += found.reshape(self._counts.shape)

    def finish(self, table: TransferTable) -> NoiseFloor:
        """Fit the floor.

        Parameters
        ----------
        table : (C, 65536) float32 array
            Linear light by code, for the shape of the curve.
        """
        centres = (np.arange(BRIGHTNESS_BINS) + 0.5) / BRIGHTNESS_BINS
        energy = self._lowest_energies()
        low, high = USABLE_LUMA
        known = np.isfinite(energy) & (centres > low) & (centres < high)
        basis_at = _noise_basis(table, centres)
        terms = np.zeros(3)
        if known.any() and energy[known].max() > 0:
            terms = _fit_lower_envelope(basis_at[known], energy[known])
        levels = np.linspace(0, 1, 256)
        curve = (_noise_basis(table, levels) @ terms).astype(np.float32)
        read, shot, constant = (float(t) / 20 for t in terms)
        return NoiseFloor(curve=curve, read=read, shot=shot, constant=constant)

    def _lowest_energies(self) -> npt.NDArray[np.float64]:
        """Noise energy by brightness bin; NaN where too little was seen."""
        low, high = LOG2_RANGE
        edges = low + (np.arange(ENERGY_BINS) + 0.5) * ((high - low) / ENERGY_BINS)
        out = np.full(BRIGHTNESS_BINS, np.nan)
        for k, row in enumerate(self._counts):
            total = int(row.sum())
            if total < MIN_BIN_SAMPLES:
                continue
            at = int(np.searchsorted(np.cumsum(row), NOISE_QUANTILE * total))
            value = 2.0 ** edges[at] if at > 0 else 0.0
            out[k] = value / NOISE_QUANTILE_OVER_MEAN
        return out


def _noise_basis(
    table: TransferTable, luma: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Return encoded variance by brightness: read noise, shot noise, quantisation."""
    linear = table.astype(np.float64).mean(axis=0)
    codes = np.linspace(0, 1, linear.size)
    light = np.interp(luma, codes, linear)
    # Slope of the curve over a brightness bin, not at a point: sRGB has a kink at black.
    d = 1 / (2 * BRIGHTNESS_BINS)
    rise = np.interp(luma + d, codes, linear) - np.interp(luma - d, codes, linear)
    width = np.minimum(luma + d, 1) - np.maximum(luma - d, 0)
    slope = width / np.maximum(rise, 1e-9)
    return np.stack([slope**2, slope**2 * light, np.ones_like(luma)], axis=1)


def _fit_lower_envelope(
    basis: npt.NDArray[np.float64], energy: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Non-negative terms whose sum runs along the lower edge of `energy`.

    Relative least squares in which overshooting costs far more than undershooting:
    texture only ever adds energy.
    """
    floor = max(float(energy.max()) * 1e-9, 1e-18)
    rows = basis / np.maximum(energy, floor)[:, None]
    weight = np.ones(len(energy))
    terms = np.zeros(basis.shape[1])
    for _ in range(30):
        terms = _non_negative_fit(rows * weight[:, None], weight)
        weight = np.where(rows @ terms > 1, 1.0, UNDERSHOOT_WEIGHT)
    return terms


def _non_negative_fit(
    matrix: npt.NDArray[np.float64], wanted: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Least squares with no negative unknown: the best of all subsets of columns."""
    n = matrix.shape[1]
    best, best_cost = np.zeros(n), float((wanted**2).sum())
    for subset in range(1, 2**n):
        columns = [k for k in range(n) if subset >> k & 1]
        found = np.linalg.lstsq(matrix[:, columns], wanted, rcond=None)[0]
        cost = float(((matrix[:, columns] @ found - wanted) ** 2).sum())
        if (found >= 0).all() and cost < best_cost:
            best, best_cost = np.zeros(n), cost
            best[columns] = found
    return best
