"""How sharpness runs through a bracket: where each cell peaks, and how wide each step is.

One law carries all of it. Blur grows in proportion to the distance from focus, and the
inverse of a cell's Laplacian amplitude (root of the energy) is a parabola through focus:

    1 / a(z) = (1 / a_peak) (1 + ((z - peak) / width)^2)

with one `width` for the whole bracket and scale of detail: where steps are even in
1/distance, as many steps blur all depths alike. Measured on ray-traced brackets the law
holds within 10 % up to three widths, and width varies by 12 % between cells.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = [
    "CellCurves",
    "against_the_others",
    "beyond_the_end",
    "fit_cells",
    "median_width",
    "step_lengths",
]

F64 = npt.NDArray[np.float64]

# A cell counts where its peak stands this far above the noise energy.
TEXTURED = 4.0
# Frames count in which a cell is blurred at most to this part of its peak: beyond, noise
# and neighbouring cells decide.
FARTHEST_BLUR = 4.0
# A frame is foretold by the others where it should be the sharpest, in steps.
NEAR_STEPS = 0.65
NEAR_WIDTH = 1.35
# One more than a parabola goes through, so that a misfit shows.
FRAMES_FORETELLING = 4
# Relative error of an amplitude: of the law itself, and per noise energy over signal.
LAW_ERROR, NOISE_ERROR = 0.04, 0.12
# Misfit per degree of freedom, squared, up to which a cell is taken for one depth.
WORST_FIT = 6.0
# A width is believed within this factor of the median: cells with two depths stray.
WIDTH_SPREAD = 1.6
FEWEST_CELLS = 10
# Search for a focus beyond the end, in steps; frames blurred more than this are left.
END_BLUR = 3.0
BEYOND_FROM, BEYOND_TO, BEYOND_STEP = -2.0, 10.0, 0.1
END_FRAMES, END_REACH = 3, 2.5
# A squared misfit that no one depth explains.
MISFIT = 6.0


@dataclass(frozen=True, slots=True)
class CellCurves:
    """Parabolas through the inverse amplitude of every cell, in any shape of cells.

    Attributes
    ----------
    peak : array
        Position of the sharpest focus, in units of `z`; NaN where there is none.
    width : array
        Distance at which the amplitude has halved, same unit.
    least : array
        Inverse amplitude at the peak.
    n_frames : int array
        Frames that the curve rests on.
    is_textured : bool array
        The cell has detail well above the noise in some frame.
    """

    peak: F64
    width: F64
    least: F64
    n_frames: npt.NDArray[np.int64]
    is_textured: npt.NDArray[np.bool_]


def _inverse_amplitude(energy: F64, noise: F64) -> tuple[F64, F64]:
    """1 / a and its relative error; NaN and infinity where nothing was seen."""
    signal = np.maximum(energy - noise, 0.05 * noise + 1e-20)
    inverse = 1 / np.sqrt(signal)
    error = LAW_ERROR + NOISE_ERROR * np.minimum(noise / signal, 20.0)
    return inverse, np.where(np.isfinite(energy), error, np.inf)


def _run_round_the_best(
    near: npt.NDArray[np.bool_], best: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Leave of `near` (n, m) what is joined to frame `best` (m,) without a break.

    A cell that holds two depths has two peaks: one of them is enough.
    """
    frames = np.arange(len(near))[:, None]
    below = np.where(~near & (frames < best), frames, -1).max(axis=0)
    above = np.where(~near & (frames > best), frames, len(near)).min(axis=0)
    return np.asarray(near & (frames > below) & (frames < above))


def fit_cells(z: F64, energy: F64, noise: F64) -> CellCurves:
    """Fit the law to every cell.

    Parameters
    ----------
    z : (n,) array
        Position of each frame along focus.
    energy, noise : (n, ...) arrays
        Laplacian energy of the cells with noise in it, NaN where a frame does not see
        a cell; energy of the noise alone.
    """
    shape = energy.shape[1:]
    flat = energy.reshape(len(z), -1).astype(float)
    floor = np.broadcast_to(noise, energy.shape).reshape(len(z), -1).astype(float)
    best = np.nanmax(np.where(np.isfinite(flat), flat, 0.0), axis=0)
    textured = best > (1 + TEXTURED) * floor.max(axis=0)
    inverse, error = _inverse_amplitude(flat, floor)
    least = np.where(np.isfinite(inverse), inverse, np.inf).min(axis=0)
    near = _run_round_the_best(
        np.isfinite(error) & (inverse < FARTHEST_BLUR * least),
        np.where(np.isfinite(inverse), inverse, np.inf).argmin(axis=0),
    )
    weight = np.where(near, 1 / (error * np.where(near, inverse, 1.0)) ** 2, 0.0)
    powers = np.stack([np.ones_like(z), z, z * z], axis=1)
    normal = np.einsum("ni,nj,nm->mij", powers, powers, weight)
    right = np.einsum("ni,nm->mi", powers, weight * np.where(near, inverse, 0.0))
    # A touch of identity keeps cells with too few frames solvable; they are dropped.
    size = np.einsum("mii->m", normal)[:, None, None]
    normal = normal + (1e-12 * size + 1e-30) * np.eye(3)
    c0, c1, c2 = np.linalg.solve(normal, right[..., None])[..., 0].T
    with np.errstate(all="ignore"):
        peak = -c1 / (2 * c2)
        low = c0 - c1 * c1 / (4 * c2)
        width = np.sqrt(low / c2)
        off = (powers @ np.stack([c0, c1, c2]) - inverse) ** 2 * weight
    inside = (peak > z.min()) & (peak < z.max())
    n_near = near.sum(axis=0)
    fits = np.where(near, off, 0.0).sum(axis=0) < WORST_FIT * np.maximum(n_near - 3, 1)
    good = textured & (n_near >= 3) & (c2 > 0) & (low > 0) & inside & fits
    nothing = np.full(flat.shape[1], np.nan)
    return CellCurves(
        peak=np.where(good, peak, nothing).reshape(shape),
        width=np.where(good, width, nothing).reshape(shape),
        least=np.where(good, low, nothing).reshape(shape),
        n_frames=n_near.reshape(shape),
        is_textured=textured.reshape(shape),
    )


def median_width(curves: CellCurves) -> float | None:
    """Width of the bracket; None where too few cells peak inside it."""
    known = curves.width[np.isfinite(curves.width)]
    return float(np.median(known)) if known.size >= FEWEST_CELLS else None


def step_lengths(energy: F64, noise: F64) -> F64 | None:
    """Lengths of the steps from sharpness alone, in units of their median.

    For lenses that do not breathe. Positions of frames and curves of cells are fitted
    in turns until both agree with the law.

    Parameters
    ----------
    energy, noise : (n, ...) arrays
        As for `fit_cells`, frames in order of focus.

    Returns
    -------
    (n - 1,) array or None
        None where there is too little to go by.
    """
    n = len(energy)
    z = np.arange(n, dtype=float)
    flat = energy.reshape(n, -1).astype(float)
    floor = np.broadcast_to(noise, energy.shape).reshape(n, -1).astype(float)
    inverse, error = _inverse_amplitude(flat, floor)
    offsets = np.linspace(-0.6, 0.6, 61)
    for _ in range(8):
        curves = fit_cells(z, flat, floor)
        width = median_width(curves)
        if width is None:
            return None
        ratio = curves.width / width
        good = (ratio > 1 / WIDTH_SPREAD) & (ratio < WIDTH_SPREAD)
        moved = z.copy()
        for k in range(n):
            use = good & (inverse[k] < FARTHEST_BLUR * curves.least)
            if np.count_nonzero(use) < FEWEST_CELLS // 2:
                continue
            places = z[k] + offsets
            away = (places[:, None] - curves.peak[use]) / curves.width[use]
            misfit = np.log(curves.least[use] * (1 + away**2) / inverse[k, use])
            cost = np.minimum((misfit / (error[k, use] + LAW_ERROR)) ** 2, 9.0)
            moved[k] = places[int(cost.sum(axis=1).argmin())]
        step = float(np.median(np.diff(moved)))
        if step <= 0:
            return None
        z = (moved - moved[0]) / step
    return np.asarray(np.diff(z))


def beyond_the_end(
    distance: F64, energy: F64, noise: F64, width: float, *, sure: float
) -> tuple[F64, F64]:
    """How far outside the bracket each cell is sharpest, in the unit of `distance`.

    Parameters
    ----------
    distance : (m,) array
        Of the last frames from the very last, counted inwards: 0 first, rising.
    energy, noise : (m, ...) arrays
        Of those frames.
    width : float
        Of the bracket at this scale of detail.
    sure : float
        Square of the standard deviations at which a lower limit is taken.

    Returns
    -------
    likely, at_least : arrays
        Best estimate and lower limit; negative where the
        peak lies inside, NaN where a cell is flat or no one depth explains it.
    """
    n_near = int(np.count_nonzero(distance < END_REACH))
    m = min(len(distance), max(END_FRAMES, n_near))
    distance, energy, noise = distance[:m], energy[:m], noise[:m]
    inverse, error = _inverse_amplitude(energy, noise)
    seen = np.isfinite(error)
    least = np.where(seen, inverse, np.inf).min(axis=0)
    near = seen & (inverse < END_BLUR * least)
    # The law's own error is alike in neighbours: more of them are not surer.
    weight = np.where(near, error**-2.0, 0.0) * (float(min(END_FRAMES, m)) / m)
    log = np.where(near, np.log(np.where(near, inverse, 1.0)), 0.0)
    total = np.maximum(weight.sum(axis=0), 1e-12)
    places = np.arange(BEYOND_FROM, BEYOND_TO + BEYOND_STEP / 2, BEYOND_STEP)
    costs = []
    for place in places:
        law = np.log1p(((distance + place) / width) ** 2)
        rest = log - law.reshape(m, *[1] * (log.ndim - 1))
        mean = (weight * rest).sum(axis=0) / total
        costs.append((weight * (rest - mean) ** 2).sum(axis=0))
    cost = np.stack(costs)
    lowest = cost.min(axis=0)
    likely = places[cost.argmin(axis=0)]
    at_least = places[(cost < lowest + sure).argmax(axis=0)]
    signal = np.where(seen, energy - noise, 0.0).max(axis=0)
    judged = (near.sum(axis=0) >= 2) & (lowest < MISFIT) & near[0]
    judged &= signal > TEXTURED * noise.max(axis=0)
    return np.where(judged, likely, np.nan), np.where(judged, at_least, np.nan)


def against_the_others(z: F64, energy: F64, noise: F64, width: float) -> F64:
    """How much softer each frame is than the others say it should be, by cell.

    Every frame in turn is left out of the fit and predicted by it.

    Parameters
    ----------
    z, energy, noise : arrays
        As for `fit_cells`.
    width : float
        Of the bracket: cells that stray from it hold more than one depth.

    Returns
    -------
    (n, ...) array
        Natural logarithm of the amplitude expected over that found; NaN where the frame
        is too far from the cell's focus for a prediction.
    """
    out = np.full(energy.shape, np.nan)
    inverse, error = _inverse_amplitude(energy.astype(float), noise)
    for k in range(len(z)):
        others = np.arange(len(z)) != k
        fit = fit_cells(z[others], energy[others], noise[others])
        with np.errstate(invalid="ignore"):
            blur = 1 + ((z[k] - fit.peak) / fit.width) ** 2
            ratio = fit.width / width
            near = np.isfinite(error[k]) & (np.abs(z[k] - fit.peak) < NEAR_STEPS)
            near &= (ratio > 1 / NEAR_WIDTH) & (ratio < NEAR_WIDTH)
            near &= fit.n_frames >= FRAMES_FORETELLING
        expected = np.where(near, blur * fit.least, 1.0)
        out[k] = np.where(near, np.log(inverse[k] / expected), np.nan)
    return out
