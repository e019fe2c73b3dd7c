"""f-numbers: what is engraved, what it stands for, and the light that goes with it.

Pure formulas. A light change is positive where more light is needed.
"""

from dataclasses import dataclass
from math import log2

from stacker.errors import InputError

__all__ = [
    "NOMINAL_F_NUMBERS",
    "LightChange",
    "effective_f_number",
    "exact_f_number",
    "extension_loss",
    "light_change",
]

NOMINAL_F_NUMBERS = (
    *(1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6),
    *(6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0, 25.0, 29.0),
    *(32.0, 36.0, 40.0, 45.0, 51.0, 57.0, 64.0),
)
"""As engraved, in thirds of a stop from f/1: entry i stands for 2^(i/6).

Full stops as in ISO 517 (from memory); the thirds between them as cameras show them
(common practice)."""


def effective_f_number(
    f_number: float, at_magnification: float, pupil_magnification: float = 1.0
) -> float:
    """f-number at work at a magnification: N (1 + m/P). It sets light and diffraction."""
    return f_number * (1 + at_magnification / pupil_magnification)


def extension_loss(at_magnification: float, pupil_magnification: float = 1.0) -> float:
    """Light lost by focusing close, in stops: 2 log2(1 + m/P)."""
    return 2 * log2(effective_f_number(1.0, at_magnification, pupil_magnification))


def _third_stop(f_number: float) -> int:
    return round(6 * log2(f_number))


def exact_f_number(f_number: float) -> float:
    """f-number that an engraved one stands for: the nearest 2^(i/6).

    22 stands for 22.627, 5.6 for 5.657 (ISO 517). A number that is on no third-stop
    scale, such as 6.8, stands for itself.
    """
    if not f_number > 0:
        msg = f"f-number is {f_number:g}: expected a positive number"
        raise InputError(msg)
    if f_number not in NOMINAL_F_NUMBERS:
        return float(f_number)
    return float(2 ** (_third_stop(f_number) / 6))


@dataclass(frozen=True, slots=True, kw_only=True)
class LightChange:
    """How the light must change with the aperture; positive = more light.

    Attributes
    ----------
    engraved_stops : float
        By the numbers engraved, taken as exact.
    third_stops : int
        In whole thirds of a stop, by the numbers that the engraved ones stand for.
    set_stops : float
        What to set on the lights: the thirds where both numbers are on the third-stop
        scale, since the diaphragm moves in true thirds and only the engraving is
        rounded; else the exact change.
    """

    engraved_stops: float
    third_stops: int
    set_stops: float


def light_change(from_f_number: float, to_f_number: float) -> LightChange:
    """Change of light for the same exposure after a change of aperture."""
    exact = exact_f_number(from_f_number), exact_f_number(to_f_number)
    return LightChange(
        engraved_stops=2 * log2(to_f_number / from_f_number),
        third_stops=_third_stop(to_f_number) - _third_stop(from_f_number),
        set_stops=2 * log2(exact[1] / exact[0]),
    )
