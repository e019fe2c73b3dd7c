"""What a plan is asked: the camera, the lens, the subject, what counts as sharp.

Plain values that check themselves; lengths in millimetres.
"""

from dataclasses import dataclass
from math import inf, isfinite
from typing import Self

from stacker import optics
from stacker.errors import InputError

__all__ = ["BlurCriterion", "Camera", "CloseUp", "Distances", "Rig"]


def check(condition: bool, message: str) -> None:  # noqa: FBT001
    """Raise `InputError` with the message unless the condition holds."""
    if not condition:
        raise InputError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A sensor: its size and its pixels.

    Attributes
    ----------
    sensor_width_mm, sensor_height_mm : float
        Sensor size.
    width_px, height_px : int
        Picture size.
    """

    sensor_width_mm: float
    sensor_height_mm: float
    width_px: int
    height_px: int

    def __post_init__(self) -> None:
        for name in ("sensor_width_mm", "sensor_height_mm", "width_px", "height_px"):
            value = getattr(self, name)
            check(
                value > 0 and isfinite(value),
                f"{name} is {value:g}: expected a positive number",
            )

    @property
    def pitch_mm(self) -> float:
        """From one pixel to the next."""
        return self.sensor_width_mm / self.width_px

    @property
    def n_pixels(self) -> int:
        """Pixels of one frame."""
        return self.width_px * self.height_px


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """What makes the image: a lens, or a microscope objective.

    Attributes
    ----------
    focal_length_mm : float or None
        Needed when the lens is focused; on a rail it only adds working distance and
        change of scale.
    pupil_magnification : float
        See `stacker.optics.Lens`.
    numerical_aperture : float or None
        Of a microscope objective; takes the place of the f-number.
    medium_index : float
        Refractive index of what is between subject and objective: 1 for air.
    """

    focal_length_mm: float | None = None
    pupil_magnification: float = 1.0
    numerical_aperture: float | None = None
    medium_index: float = 1.0

    def __post_init__(self) -> None:
        for name in ("focal_length_mm", "pupil_magnification", "numerical_aperture"):
            value = getattr(self, name)
            check(
                value is None or (value > 0 and isfinite(value)),
                f"{name} is {value}: expected a positive number",
            )
        check(
            1 <= self.medium_index < inf,
            f"medium_index is {self.medium_index:g}: expected 1 (air) or more",
        )

    def lens(self, f_number: float) -> optics.Lens:
        """Return the lens set to an aperture.

        Raises
        ------
        InputError
            There is no focal length.
        """
        if self.focal_length_mm is None:
            msg = "distances need a focal length: give it, or a magnification and depth"
            raise InputError(msg)
        return optics.Lens(
            focal_length_mm=self.focal_length_mm,
            f_number=f_number,
            pupil_magnification=self.pupil_magnification,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Distances:
    """What must be sharp, seen from a camera that stays: the lens is focused.

    Attributes
    ----------
    near_mm, far_mm : float
        Distances from the lens; `far_mm` may be infinite.
    """

    near_mm: float
    far_mm: float

    def __post_init__(self) -> None:
        check(self.near_mm > 0, f"near is {self.near_mm:g} mm: expected more than 0")
        check(
            self.far_mm > self.near_mm,
            f"near is {self.near_mm:g} mm and far is {self.far_mm:g} mm: "
            "far must be the greater",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseUp:
    """What must be sharp, by magnification: the camera travels, the lens stays.

    Attributes
    ----------
    magnification : float
        Size on the sensor over true size: 1 for life size.
    depth_mm : float
        Depth of the subject along the axis.
    """

    magnification: float
    depth_mm: float

    def __post_init__(self) -> None:
        for name in ("magnification", "depth_mm"):
            value = getattr(self, name)
            check(
                value > 0 and isfinite(value),
                f"{name} is {value:g}: expected a positive number",
            )

    def distances(self, focal_length_mm: float) -> Distances:
        """Return the same depth for a lens that is focused, magnification amid it."""
        middle_mm = focal_length_mm * (1 + 1 / self.magnification)
        near_mm = middle_mm - self.depth_mm / 2
        check(
            near_mm > focal_length_mm,
            f"a depth of {self.depth_mm:g} mm at magnification {self.magnification:g} "
            f"would begin within the focal length ({focal_length_mm:g} mm): use a "
            "longer lens, or a rail",
        )
        return Distances(near_mm=near_mm, far_mm=middle_mm + self.depth_mm / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class BlurCriterion:
    """The largest disc that counts as sharp, said in three ways.

    Attributes
    ----------
    coc_mm : float
        Circle of confusion on the sensor.
    pixels : float
        The same in pixels.
    print_width_mm : float
        Width of the largest print on which it passes for a point at reading distance
        (250 mm); in proportion at other distances.
    source : str
        What was given: "pixels", "print" or "circle of confusion".
    """

    coc_mm: float
    pixels: float
    print_width_mm: float
    source: str

    @classmethod
    def from_coc(
        cls, camera: Camera, coc_mm: float, source: str = "circle of confusion"
    ) -> Self:
        """From the circle of confusion on the sensor."""
        check(
            coc_mm > 0 and isfinite(coc_mm),
            f"circle of confusion is {coc_mm:g} mm: expected a positive number",
        )
        return cls(
            coc_mm=coc_mm,
            pixels=coc_mm / camera.pitch_mm,
            print_width_mm=camera.sensor_width_mm * optics.EYE_BLUR_MM / coc_mm,
            source=source,
        )

    @classmethod
    def from_pixels(cls, camera: Camera, pixels: float) -> Self:
        """From a number of pixels."""
        return cls.from_coc(camera, pixels * camera.pitch_mm, "pixels")

    @classmethod
    def from_print(
        cls, camera: Camera, print_width_mm: float, viewing_distance_mm: float
    ) -> Self:
        """From the size of a print and the distance it is seen from."""
        coc_mm = optics.coc_for_print(
            camera.sensor_width_mm, print_width_mm, viewing_distance_mm
        )
        return cls.from_coc(camera, coc_mm, "print")
