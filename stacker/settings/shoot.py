"""Settings of a shoot: before the first frame, and while the set still stands."""

from dataclasses import dataclass
from math import inf

from stacker.settings.limits import check

__all__ = [
    "CheckSettings",
    "PlanSettings",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSettings:
    """How a bracket is planned, before there is any frame.

    Attributes
    ----------
    f_number : float or None
        Aperture to plan for; without it the one with the best total sharpness.
    n_frames : int or None
        Frames to plan for; without it as many as the overlap asks.
    max_frames : int
        Most frames to propose, even where the overlap asks for more.
    widest_f_number : float
        Widest aperture to propose. Medium-format lenses are at their best two stops
        from wide open (common practice), which no formula here knows.
    smallest_f_number : float
        Smallest aperture to propose.
    overlap : float
        Share of a frame's depth of field that the next frame holds again, 0 to 0.9. No
        point is then blurred by more than 1 - overlap of what still counts as sharp;
        0.3 leaves room for a focus drive that is not exact (common practice: 0.2 to
        0.5).
    blur_px : float
        Blur disc that still counts as sharp, in pixels. A disc of 2 pixels halves
        contrast at 0.35 cycles a pixel (our own choice).
    wavelength_nm : float
        Wavelength in nm for diffraction; 550 is green, where the eye sees best.
    lights_f_number : float or None
        Aperture that the lights are set for now, from which changes of light are
        counted; without it the one planned for.
    recycle_s : float
        Seconds until the flash is ready again.
    settle_s : float
        Seconds for moving the focus and for vibrations to die.
    exposure_s : float
        Seconds of one exposure.
    """

    f_number: float | None = None
    n_frames: int | None = None
    max_frames: int = 60
    widest_f_number: float = 5.6
    smallest_f_number: float = 32.0
    overlap: float = 0.3
    blur_px: float = 2.0
    wavelength_nm: float = 550.0
    lights_f_number: float | None = None
    recycle_s: float = 1.5
    settle_s: float = 2.0
    exposure_s: float = 0.01

    def __post_init__(self) -> None:
        check(0 <= self.overlap <= 0.9, "overlap", self.overlap, "0 to 0.9")
        for name in ("max_frames", "n_frames"):
            count = getattr(self, name)
            check(count is None or 1 <= count <= 9999, name, count, "1 to 9999")
        check(
            self.widest_f_number <= self.smallest_f_number,
            "widest_f_number",
            self.widest_f_number,
            f"at most the smallest aperture, f/{self.smallest_f_number:g}",
        )
        for name in (
            *("blur_px", "wavelength_nm", "widest_f_number"),
            *("f_number", "lights_f_number"),
        ):
            value = getattr(self, name)
            check(value is None or 0 < value < inf, name, value, "a positive number")
        for name in ("recycle_s", "settle_s", "exposure_s"):
            value = getattr(self, name)
            check(0 <= value < inf, name, value, "0 or more seconds")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSettings:
    """How a bracket is checked.

    Attributes
    ----------
    frames : int or None
        Frames that the bracket was planned to have; fewer are a fault, and following
        goes on until they are there.
    look_s : float
        Seconds between two looks at the folder while following. A file that has not
        changed from one look to the next is read.
    """

    frames: int | None = None
    look_s: float = 0.5

    def __post_init__(self) -> None:
        check(
            self.frames is None or 2 <= self.frames <= 9999,
            "frames",
            self.frames,
            "2 to 9999",
        )
        check(0 < self.look_s < inf, "look_s", self.look_s, "more than 0 seconds")
