"""How sharp a picture can be: diffraction, defocus and pixels as MTF.

Pure formulas. Lengths are in millimetres, spatial frequencies in cycles per millimetre
on the sensor; the aperture is always the effective one (`optics.effective_f_number`).
The lens is taken as free of aberrations.
"""

import numpy as np
import numpy.typing as npt

from stacker.errors import InputError

__all__ = [
    "airy_diameter",
    "equivalent_disc",
    "lens_mtf",
    "microscope_depth",
    "mtf50",
    "objective_f_number",
]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
"""Exact to 1e-9 for discs up to 20 cycles; MTF50 is met within the first."""

_DISC_MTF50 = 0.705085
"""Cycles per diameter at which a plain disc has MTF 0.5: 2 J1(x)/x = 0.5, x / pi."""

_SCAN = 257
"""Points of each of the two scans for MTF50."""


def airy_diameter(effective_number: float, wavelength_mm: float) -> float:
    """Diameter of the first dark ring of a point's diffraction: 2.44 lambda N_eff.

    Airy 1835; Born & Wolf, Principles of Optics, 7th ed., 8.5.2 (from memory):
    2 * 1.2197 lambda N.
    """
    return 2.44 * wavelength_mm * effective_number


def microscope_depth(
    numerical_aperture: float,
    wavelength_mm: float,
    medium_index: float = 1.0,
    *,
    coc_over_magnification_mm: float = 0.0,
) -> float:
    """Depth of field of a microscope objective, in mm.

    n lambda / NA^2 + n e / (M NA): the wave term, and the disc `e` that the sensor lets
    pass, brought to the object (`coc_over_magnification_mm` = e / M; 0 leaves the term
    out).

    Raises
    ------
    InputError
        The numerical aperture is not between 0 and the index of the medium.

    References
    ----------
    Inoue & Spring, Video Microscopy, 2nd ed. 1997, 2.4; from memory.
    """
    if not 0 < numerical_aperture < medium_index:
        msg = (
            f"numerical aperture is {numerical_aperture:g}: expected more than 0 and "
            f"less than the index of the medium ({medium_index:g})"
        )
        raise InputError(msg)
    wave_mm = medium_index * wavelength_mm / numerical_aperture**2
    return wave_mm + medium_index * coc_over_magnification_mm / numerical_aperture


def objective_f_number(numerical_aperture: float, magnification: float) -> float:
    """Effective f-number, on the sensor's side, of a microscope objective: M / (2 NA)."""
    return magnification / (2 * numerical_aperture)


def lens_mtf(
    frequency: npt.ArrayLike,
    *,
    defocus_mm: float,
    effective_number: float,
    wavelength_mm: float,
) -> npt.NDArray[np.float64]:
    """Modulation transfer of a defocused, diffraction-limited lens; one wavelength.

    Parameters
    ----------
    frequency : array_like
        Cycles per millimetre on the sensor, 0 or more, any shape.
    defocus_mm : float
        Diameter of the geometric disc of defocus.
    effective_number, wavelength_mm : float
        Effective f-number; wavelength.

    Returns
    -------
    float64 array of the same shape
        Signed: negative where contrast is reversed; 0 from the cut-off
        1 / (lambda N) on.

    Notes
    -----
    With s = nu lambda N and a disc d the autocorrelation of the round pupil is
    (4/pi) * integral from 0 to 1 - s of sqrt(1 - (x + s)^2) cos(pi d nu x) dx, here with
    x + s = sin t, by Gauss-Legendre. Limits: (2/pi)(acos s - s sqrt(1 - s^2)) for d = 0,
    2 J1(pi d nu) / (pi d nu) for short wavelengths; both are tested.

    References
    ----------
    Hopkins, The frequency response of a defocused optical system, Proc. R. Soc. A 231
    (1955) 91-103; from memory, the integral is derived from the pupil's overlap.
    """
    nu = np.asarray(frequency, dtype=np.float64)
    s = np.minimum(nu * wavelength_mm * effective_number, 1.0)
    start = np.arcsin(s)
    half = (np.pi / 2 - start) / 2
    t = start[..., None] + half[..., None] * (_NODES + 1)  # (..., nodes)
    phase = np.pi * defocus_mm * nu[..., None] * (np.sin(t) - s[..., None])
    return np.asarray(4 / np.pi * half * ((np.cos(t) ** 2 * np.cos(phase)) @ _WEIGHTS))


def mtf50(
    *,
    defocus_mm: float,
    effective_number: float,
    wavelength_mm: float,
    pitch_mm: float = 0.0,
) -> float:
    """Frequency at which contrast has fallen to half, in cycles per millimetre.

    Lens as in `lens_mtf`, times the square pixel's sinc(pitch nu) where `pitch_mm` is
    given; the pixel alone gives 0.60335 cycles a pixel.
    """
    high = 1 / (wavelength_mm * effective_number)
    if pitch_mm > 0:
        high = min(high, 1 / pitch_mm)
    if defocus_mm > 0:
        high = min(high, 1 / defocus_mm)

    def bracket_half(low: float, high: float) -> tuple[float, float, float, float]:
        nu = np.linspace(low, high, _SCAN)
        contrast = np.sinc(nu * pitch_mm) * lens_mtf(
            nu,
            defocus_mm=defocus_mm,
            effective_number=effective_number,
            wavelength_mm=wavelength_mm,
        )
        i = int(np.argmax(contrast < 0.5))
        return (
            float(nu[i - 1]),
            float(nu[i]),
            float(contrast[i - 1]),
            float(contrast[i]),
        )

    low, high, *_ = bracket_half(0.0, high)
    low, high, above, below = bracket_half(low, high)
    return low + (high - low) * (above - 0.5) / (above - below)


def equivalent_disc(
    *, defocus_mm: float, effective_number: float, wavelength_mm: float
) -> float:
    """Diameter of the plain disc that is as soft as defocus and diffraction together.

    Equal in MTF50, so that diffraction can be set against a circle of confusion:
    defocus alone gives itself, diffraction alone 0.72 of the Airy disc.
    """
    return _DISC_MTF50 / mtf50(
        defocus_mm=defocus_mm,
        effective_number=effective_number,
        wavelength_mm=wavelength_mm,
    )
