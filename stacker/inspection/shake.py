"""A frame that was shaken: softer than the frames beside it foretell.

Where a frame is in focus, the law of sharpness foretells how sharp it should be. Where
nothing is, its contrast still lies between that of the frames beside it, or above where
focus passes by: blur in a frame alone takes contrast from nearly every place at once.
"""

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.frame import Finding
from stacker.inspection.advice import percent
from stacker.inspection.focus import against_the_others
from stacker.inspection.reading import Reading
from stacker.survey import FrameFacts

__all__ = ["shaken_frames"]

F64 = npt.NDArray[np.float64]

# What a frame lacks of the amplitude foretold where it is in focus, as a logarithm, by
# three standard errors. Clean brackets: up to 0.14, beside a gap 0.19; 4 px at 1500 px
# width: 0.12 to 0.5. The lower limit is for frames that are softer elsewhere, too.
LACKING, SURELY_LACKING = 0.12, 0.2
FOCUS_WIDTH, FEWEST_CELLS, ERRORS = 1.2, 10, 3.0
# What it lacks of the energy between that of its neighbours, as a logarithm: over the
# whole picture at three cells of four, and at half of them. Clean brackets: 0.002 and
# 0.02, with light changed by 0.15 EV 0.05; 4 px at 1500: 0.03 to 0.3, and 0.1 to 0.35.
SOFT_EVERYWHERE, SOFT, SURELY_SOFT = 0.02, 0.06, 0.2
# Against noise, in pixels of the thumbnails; the better half of the cells counts.
SMOOTH_SIGMA, CELLS_COUNTED = 0.7, 0.5


def shaken_frames(r: Reading) -> list[Finding]:
    """Find frames that shook while they were exposed."""
    if r.gauge == "none" or not r.is_ordered:
        return []  # far neighbours measure steps less well, and so foretell badly
    found = []
    lacking, (half, most) = _lacking(r), _softer(r)
    for k in range(r.n):
        is_soft = most[k] > SOFT_EVERYWHERE and half[k] > SOFT
        is_likely = half[k] > SOFT_EVERYWHERE
        is_lacking = lacking[k] > (LACKING if is_likely else SURELY_LACKING)
        if is_lacking:
            words = (
                f"lacks {percent(1 - np.exp(-lacking[k]))} of the contrast that its "
            )
            words += "neighbours foretell where it is in focus"
        elif is_soft:
            words = f"has {percent(1 - np.exp(-half[k] / 2))} less contrast than lies "
            words += "between that of its neighbours, all over the picture"
        else:
            continue
        is_sure = lacking[k] > SURELY_LACKING or half[k] > SURELY_SOFT
        found.append(
            Finding(
                code="camera_shake",
                message=f"Frame {r.number(k)} {words}: the camera or the set shook.",
                severity="reshoot" if is_sure else "look",
                frames=(r.number(k),),
                action="Shoot this frame again; wait longer for vibrations to die.",
            )
        )
    return found


def _lacking(r: Reading) -> F64:
    """Measure what each frame surely lacks of its amplitude in focus, (n,).

    NaN for frames in which too little is in focus, and always for the two ends.
    """
    lack = np.full(r.n, np.nan)
    # At the finest detail that several frames show: shake takes most of that.
    levels = [v for v, w in enumerate(r.widths) if w is not None and w > FOCUS_WIDTH]
    if not levels:
        return lack
    level = levels[0]
    energy, noise = r.energy[level], r.noise[level].astype(float)
    width = r.widths[level] or 1.0
    softer = against_the_others(r.z, energy, noise, width).reshape(r.n, -1)
    for k, cells in enumerate(softer):
        known = cells[np.isfinite(cells)]
        if known.size >= FEWEST_CELLS:
            middle = float(np.median(known))
            # Of a median, from the median deviation of normal errors.
            spread = 1.4826 * float(np.median(np.abs(known - middle)))
            lack[k] = middle - ERRORS * 1.2533 * spread / np.sqrt(known.size)
    return lack


def _softer(r: Reading) -> tuple[F64, F64]:
    """Measure what each frame lacks of the energy between its neighbours', (n,).

    At half of the cells at least, and at three of four; NaN at the two ends.
    """
    half, most = np.full(r.n, np.nan), np.full(r.n, np.nan)
    energy = np.stack([_energy(r.facts.frames[k], r.facts.grid) for k in r.order])
    is_strong = energy >= np.quantile(energy, 1 - CELLS_COUNTED)
    log = np.log(np.maximum(energy, 1e-20))
    for k in range(1, r.n - 1):
        known = is_strong[k - 1 : k + 2].all(axis=0)
        if np.count_nonzero(known) < FEWEST_CELLS:
            continue
        beside = (r.z[k] - r.z[k - 1]) / max(r.z[k + 1] - r.z[k - 1], 1e-9)
        foretold = (1 - beside) * log[k - 1] + beside * log[k + 1]
        half[k], most[k] = np.quantile((foretold - log[k])[known], (0.5, 0.25))
    return half, most


def _energy(frame: FrameFacts, grid: tuple[int, int]) -> F64:
    """Energy of the thumbnail's gradients by cell, in the first frame's light."""
    luma = _opencv.gaussian_blur(frame.luma.astype(np.float32), SMOOTH_SIGMA)
    x, y = luma[1:, 1:] - luma[1:, :-1], luma[1:, 1:] - luma[:-1, 1:]
    mean = _opencv.area_reduce(x * x + y * y, grid)
    return np.asarray(mean.astype(float) * frame.slope**2)
