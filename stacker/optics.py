"""Where a picture is sharp: focus, depth of field, steps of focus.

Pure formulas, no pictures. Lengths are in millimetres everywhere. Distances are from the
lens: strictly from its front principal point; `sensor_distance` and `lens_distance`
convert to and from what a focus scale shows, for a lens whose principal planes lie close
together. The lens is thin, or thick with a *pupil magnification* P (diameter of the exit
pupil over that of the entrance pupil).

One quantity makes all of it linear. With m the magnification of a plane,

    w = 1 / (P + m)

runs linearly in 1/distance, the distance taken from the entrance pupil (for P = 1 that is
from the lens). Focused at w, a lens with kappa = c N / (f P) is sharp to a disc c exactly
between w (1 - kappa) and w (1 + kappa), and a point at w' is a disc of
(P f / N) |w' - w| / w. The usual formulas follow from this for P = 1.

Reading order: `Lens`, `depth_of_field`, `blur_disc`, `steps_in_depths_of_field`, then the
rest. Diffraction and MTF live in `stacker.diffraction`, f-numbers in `stacker.aperture`.

References
----------
Ray, Applied Photographic Optics, 3rd ed. 2002, ch. 22 (depth of field, thin lens and
close-up forms, pupil magnification). Kingslake, Optics in Photography, 1992, ch. 5. Both
cited from memory; every formula is derived above and checked against printed values in
the tests.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, inf, isfinite, isinf, sqrt

from stacker.errors import InputError

__all__ = [
    "EYE_BLUR_MM",
    "READING_DISTANCE_MM",
    "Lens",
    "Zone",
    "blur_disc",
    "breathing",
    "close_up_depth",
    "coc_for_print",
    "continue_focus",
    "depth_of_field",
    "distance_at_position",
    "f_number_covering",
    "frames_to_reach",
    "hyperfocal_distance",
    "lens_distance",
    "magnification",
    "object_distance",
    "pupil_position",
    "sensor_distance",
    "steps_in_depths_of_field",
]

EYE_BLUR_MM = 0.2
"""Disc that passes for a point at `READING_DISTANCE_MM`: 5 line pairs a millimetre.
Handbook value (Ray 2002, from memory); a keen eye in good light resolves half of it."""

READING_DISTANCE_MM = 250.0
"""Conventional near viewing distance of handbooks."""

_ROUNDING = 1e-9
"""A count may exceed a whole number by this much and still be that number."""


def _positive(name: str, value: float, *, may_be_infinite: bool = False) -> None:
    if not value > 0 or (isinf(value) and not may_be_infinite):
        msg = f"{name} is {value:g}: expected a positive number"
        raise InputError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A lens set to one aperture.

    Attributes
    ----------
    focal_length_mm : float
        Focal length.
    f_number : float
        As engraved, for infinity; `effective_f_number` gives the one at work close up.
    pupil_magnification : float
        Exit pupil over entrance pupil, in diameter: 1 for a symmetrical lens, below 1
        for a telephoto, above 1 for a retrofocus design.
    """

    focal_length_mm: float
    f_number: float
    pupil_magnification: float = 1.0

    def __post_init__(self) -> None:
        _positive("focal length", self.focal_length_mm)
        _positive("f-number", self.f_number)
        _positive("pupil magnification", self.pupil_magnification)

    def kappa(self, coc_mm: float) -> float:
        """Half depth of field for a disc `coc_mm`, as a fraction of w (see module).

        Raises
        ------
        InputError
            The disc is not smaller than the lens's own opening.
        """
        _positive("circle of confusion", coc_mm)
        opening_mm = self.focal_length_mm * self.pupil_magnification / self.f_number
        if coc_mm >= opening_mm:
            msg = (
                f"circle of confusion is {coc_mm:g} mm, as large as the opening of the "
                f"lens ({opening_mm:.3g} mm): is the unit right? 0.03 mm is usual"
            )
            raise InputError(msg)
        return coc_mm / opening_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """The depth that is sharp.

    Attributes
    ----------
    near_mm, far_mm : float
        Distances from the lens; `far_mm` may be infinite.
    """

    near_mm: float
    far_mm: float

    @property
    def depth_mm(self) -> float:
        """From the near to the far limit."""
        return self.far_mm - self.near_mm


def magnification(lens: Lens, distance_mm: float) -> float:
    """Size of the image over size of the thing, for a plane in focus.

    m = f / (x - f); 0 at infinity.

    Raises
    ------
    InputError
        The plane is not beyond the focal length: no lens can focus there.
    """
    _positive("distance", distance_mm, may_be_infinite=True)
    if distance_mm <= lens.focal_length_mm:
        msg = (
            f"distance {distance_mm:g} mm is within the focal length "
            f"({lens.focal_length_mm:g} mm): nothing there can be brought into focus"
        )
        raise InputError(msg)
    return lens.focal_length_mm / (distance_mm - lens.focal_length_mm)


def object_distance(lens: Lens, at_magnification: float) -> float:
    """Distance of the plane that is imaged at a magnification: f (1 + 1/m)."""
    if at_magnification == 0:
        return inf
    _positive("magnification", at_magnification)
    return lens.focal_length_mm * (1 + 1 / at_magnification)


def sensor_distance(lens: Lens, distance_mm: float) -> float:
    """Distance from the sensor of a plane in focus: x + f (1 + m)."""
    m = magnification(lens, distance_mm)
    return distance_mm + lens.focal_length_mm * (1 + m)


def lens_distance(lens: Lens, from_sensor_mm: float) -> float:
    """Distance from the lens of a plane at a distance from the sensor.

    Of the two answers of x + f (1 + m) = d the one with magnification up to 1.

    Raises
    ------
    InputError
        Less than four focal lengths: no thin lens can focus there.
    """
    _positive("distance", from_sensor_mm, may_be_infinite=True)
    if isinf(from_sensor_mm):
        return inf
    f = lens.focal_length_mm
    if from_sensor_mm < 4 * f:
        msg = (
            f"distance {from_sensor_mm:g} mm from the sensor is less than four focal "
            f"lengths ({4 * f:g} mm): measure from the lens, or give a magnification"
        )
        raise InputError(msg)
    return (from_sensor_mm + sqrt(from_sensor_mm * (from_sensor_mm - 4 * f))) / 2


def pupil_position(lens: Lens, distance_mm: float) -> float:
    """Position of a plane on the scale that depth of field is even on.

    w = 1 / (P + m), between 0 (on the focal point) and 1/P (infinity); linear in
    1/distance from the entrance pupil.
    """
    return 1 / (lens.pupil_magnification + magnification(lens, distance_mm))


def distance_at_position(lens: Lens, w: float) -> float:
    """Distance of the plane at a position: the inverse of `pupil_position`.

    Infinite from 1/P on: there is nothing beyond.
    """
    m = 1 / w - lens.pupil_magnification
    return object_distance(lens, m) if m > _ROUNDING else inf


def hyperfocal_distance(lens: Lens, coc_mm: float) -> float:
    """Nearest focus at which infinity is still sharp: f^2 / (N c) + f, for any P."""
    _positive("circle of confusion", coc_mm)
    f = lens.focal_length_mm
    return f * f / (lens.f_number * coc_mm) + f


def depth_of_field(lens: Lens, distance_mm: float, coc_mm: float) -> Zone:
    """Depth that is sharp to a disc of `coc_mm` when focused at a distance.

    Exact for a thin lens (near = s (H - f) / (H + s - 2f), far = s (H - f) / (H - s))
    and for P other than 1. The far limit is infinite from the hyperfocal distance on.
    """
    kappa = lens.kappa(coc_mm)
    w = pupil_position(lens, distance_mm)
    return Zone(
        near_mm=distance_at_position(lens, w * (1 - kappa)),
        far_mm=distance_at_position(lens, w * (1 + kappa)),
    )


def close_up_depth(
    effective_number: float, at_magnification: float, coc_mm: float
) -> float:
    """Depth of field close up, near to far, in mm: 2 c N_eff / m^2.

    The form to use when the magnification is known and the focal length is not; the
    limit of `depth_of_field` for a depth small against the distance.
    """
    _positive("magnification", at_magnification)
    _positive("circle of confusion", coc_mm)
    return 2 * coc_mm * effective_number / at_magnification**2


def blur_disc(lens: Lens, point_mm: float, focus_mm: float) -> float:
    """Diameter on the sensor, in mm, of a point's disc when focused elsewhere.

    For P = 1 this is (f^2/N) |s - z| / (z (s - f)). Divide by the pixel pitch for
    pixels.
    """
    w, w_point = pupil_position(lens, focus_mm), pupil_position(lens, point_mm)
    opening_mm = lens.focal_length_mm * lens.pupil_magnification / lens.f_number
    return opening_mm * abs(w_point - w) / w


def f_number_covering(lens: Lens, zone: Zone, coc_mm: float) -> float:
    """f-number at which one frame is sharp from the near to the far limit.

    Focused where the discs at both ends are equal (for P = 1: the harmonic mean of the
    two distances). The f-number of `lens` itself is not used.
    """
    w_near = pupil_position(lens, zone.near_mm)
    w_far = pupil_position(lens, zone.far_mm)
    kappa = (w_far - w_near) / (w_far + w_near)
    return kappa * lens.focal_length_mm * lens.pupil_magnification / coc_mm


def steps_in_depths_of_field(
    lens: Lens, focus_mm: Sequence[float], coc_mm: float
) -> tuple[float, ...]:
    """How far each frame's focus is from the next, in depths of field.

    Parameters
    ----------
    lens : Lens
        The lens as set for the bracket.
    focus_mm : sequence of float
        Focus distances from the lens in the order of the frames, either way round.
    coc_mm : float
        Disc that still counts as sharp.

    Returns
    -------
    tuple of float
        One value for each neighbouring pair: below 1 the sharp zones overlap, at 1 they
        touch, above 1 nothing is sharp between them; 1 - value is the overlap.
    """
    kappa = lens.kappa(coc_mm)
    w = [pupil_position(lens, x) for x in focus_mm]
    return tuple(abs(b - a) / (a + b) / kappa for a, b in pairwise(w))


def breathing(
    near_magnification: float,
    far_magnification: float,
    pupil_magnification: float = 1.0,
) -> float:
    """Growth of the picture from far to near focus, as a fraction.

    (1 + m_near/P) / (1 + m_far/P) - 1, for a lens focused by moving as a whole.
    Internally focused lenses change focal length on the way and differ, either way.
    """
    near = 1 + near_magnification / pupil_magnification
    return near / (1 + far_magnification / pupil_magnification) - 1


def _even_step(focus_mm: Sequence[float]) -> float:
    """Mean step of a bracket in 1/distance, signed; checks the distances."""
    for x in focus_mm:
        _positive("focus distance", x, may_be_infinite=True)
    if len(focus_mm) < 2 or focus_mm[0] == focus_mm[-1]:
        msg = "focus distances of at least two different frames are needed for a step"
        raise InputError(msg)
    # The mean, because cameras record focus distances coarsely.
    return (1 / focus_mm[-1] - 1 / focus_mm[0]) / (len(focus_mm) - 1)


def frames_to_reach(focus_mm: Sequence[float], limit_mm: float) -> int:
    """Frames to add beyond the last so that it lies within half a step of a focus.

    Parameters
    ----------
    focus_mm : sequence of float
        Focus distances of the bracket, in order, at least two; reversed to ask for
        frames before the first.
    limit_mm : float
        Distance that must be sharp; may be infinite.

    Returns
    -------
    int
        0 if the bracket reaches the limit already.
    """
    step = _even_step(focus_mm)
    missing_steps = (1 / limit_mm - 1 / focus_mm[-1]) / step
    return max(0, ceil(missing_steps - 0.5 - _ROUNDING))


def continue_focus(focus_mm: Sequence[float], n_frames: int) -> tuple[float, ...]:
    """Focus distances of frames to add beyond the last, even in 1/distance.

    Parameters
    ----------
    focus_mm : sequence of float
        Focus distances of the bracket, in order, at least two; reversed for frames
        before the first.
    n_frames : int
        How many to add.

    Returns
    -------
    tuple of float
        At most `n_frames` distances; fewer where infinity is reached, which is then the
        last one.
    """
    step = _even_step(focus_mm)
    added: list[float] = []
    last = focus_mm[-1]
    while len(added) < n_frames and isfinite(last):
        inverse = 1 / last + step
        last = 1 / inverse if inverse > 0 else inf
        added.append(last)
    return tuple(added)


def coc_for_print(
    sensor_width_mm: float, print_width_mm: float, viewing_distance_mm: float
) -> float:
    """Disc on the sensor that still passes for a point on a print.

    What the eye lets pass grows with the viewing distance; the enlargement divides it.
    """
    _positive("print width", print_width_mm)
    _positive("viewing distance", viewing_distance_mm)
    on_print_mm = EYE_BLUR_MM * viewing_distance_mm / READING_DISTANCE_MM
    return on_print_mm * sensor_width_mm / print_width_mm
