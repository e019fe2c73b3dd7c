"""What a plan answers: plain values, ready to print, to draw or to write as JSON."""

from dataclasses import asdict, dataclass
from math import isfinite
from typing import Any

from stacker import aperture, optics
from stacker.planning.request import BlurCriterion, Camera, CloseUp, Distances, Rig
from stacker.settings import PlanSettings

__all__ = [
    "CAUTION",
    "AperturePlan",
    "BracketPlan",
    "FocusPosition",
    "FusionEstimate",
    "OneFrame",
]

CAUTION = (
    "Caution: high-power flash and hot lamps burn, dazzle and draw heavy current; keep "
    "eyes, hands, paper and cloth away, weight the stands, watch the mains load, and "
    "follow the maker's instructions and the local electrical rules."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AperturePlan:
    """What the bracket would be at one aperture.

    Attributes
    ----------
    f_number : float or None
        As engraved; None for a microscope objective.
    effective_f_number : float
        At work at the nearest focus, where it is largest.
    depth_of_field_mm : float
        Depth that one frame focused amid the subject holds sharp; may be infinite.
    one_frame_covers : bool
        Whether that is the whole subject.
    n_frames_needed : int
        Frames that the overlap asks for.
    n_frames : int
        Frames planned: the same, unless a number was given or there is a limit.
    least_overlap : float
        Overlap of the two neighbours that overlap least; negative where a soft gap
        stays between them; 1 for a single frame.
    near_step_mm, far_step_mm : float
        From one focus to the next, at the near and the far end; 0 for a single frame.
    defocus_mm : float
        Largest disc anywhere in the subject: half-way between two frames.
    airy_mm : float
        Airy disc, diameter.
    blur_mm, blur_px : float
        Both together: the plain disc that is as soft (`diffraction.equivalent_disc`).
    mtf50_cycles_per_mm, mtf50_cycles_per_px : float
        Where contrast falls to half, pixels included, at the softest point.
    of_best : float
        MTF50 as a fraction of that of the sharpest aperture.
    light : LightChange or None
        From the aperture that the lights are set for; None for an objective.
    capture_s : float
        Time from the first exposure to the end of the last.
    """

    f_number: float | None
    effective_f_number: float
    depth_of_field_mm: float
    one_frame_covers: bool
    n_frames_needed: int
    n_frames: int
    least_overlap: float
    near_step_mm: float
    far_step_mm: float
    defocus_mm: float
    airy_mm: float
    blur_mm: float
    blur_px: float
    mtf50_cycles_per_mm: float
    mtf50_cycles_per_px: float
    of_best: float
    light: aperture.LightChange | None
    capture_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusPosition:
    """Where one frame is focused.

    Attributes
    ----------
    travel_mm : float
        From the first frame's focus, away from the camera.
    distance_mm, from_sensor_mm : float or None
        Of the focus, from the lens and from the sensor; None on a rail.
    magnification : float
        At the focus.
    sharp : Zone
        Depth that is sharp, from the lens; on a rail from the subject's near end.
    """

    travel_mm: float
    distance_mm: float | None
    from_sensor_mm: float | None
    magnification: float
    sharp: optics.Zone


@dataclass(frozen=True, slots=True, kw_only=True)
class OneFrame:
    """Whether a single frame would do, and what it would cost.

    Attributes
    ----------
    needed_f_number : float
        f-number at which one frame keeps the whole depth within the criterion.
    airy_mm, mtf50_cycles_per_px : float
        Diffraction and sharpness there.
    of_bracket : float
        That MTF50 as a fraction of the planned bracket's.
    sharpest_f_number : float
        Aperture of the lens at which one frame is least bad.
    sharpest_of_bracket : float
        MTF50 there, at the ends of the depth, as a fraction of the bracket's.
    """

    needed_f_number: float
    airy_mm: float
    mtf50_cycles_per_px: float
    of_bracket: float
    sharpest_f_number: float
    sharpest_of_bracket: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FusionEstimate:
    """What the fused picture will take; from figures measured on one laptop.

    Attributes
    ----------
    frames_bytes : int
        All frames as uncompressed 16-bit RGB TIFF.
    master_bytes, maps_bytes : int
        The master, and the depth, confidence and coverage maps beside it, uncompressed.
    time_s : float
        Time of the fusion.
    peak_bytes : int
        Largest memory.
    """

    frames_bytes: int
    master_bytes: int
    maps_bytes: int
    time_s: float
    peak_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BracketPlan:
    """A planned bracket.

    Attributes
    ----------
    camera, rig, subject, criterion, settings
        What was asked.
    chosen, sharpest : AperturePlan
        The aperture planned for, and the one with the best total sharpness.
    apertures : tuple of AperturePlan
        All that were looked at, widest first.
    positions : tuple of FocusPosition
        The frames of the chosen aperture, near to far.
    one_frame : OneFrame or None
        None for a microscope objective.
    hyperfocal_mm : float or None
        At the chosen aperture; None on a rail.
    breathing : float or None
        Growth of the picture from the far to the near focus, as a fraction; None where
        it takes a focal length that is not known.
    extension_loss_stops : tuple of float
        Light lost by focusing close, at the nearest and the farthest focus.
    fusion : FusionEstimate
        Size, time and memory.
    notes : tuple of str
        What the photographer should know about this plan, plain sentences.
    caution : str
        About lights.
    """

    camera: Camera
    rig: Rig
    subject: Distances | CloseUp
    criterion: BlurCriterion
    settings: PlanSettings
    chosen: AperturePlan
    sharpest: AperturePlan
    apertures: tuple[AperturePlan, ...]
    positions: tuple[FocusPosition, ...]
    one_frame: OneFrame | None
    hyperfocal_mm: float | None
    breathing: float | None
    extension_loss_stops: tuple[float, float]
    fusion: FusionEstimate
    notes: tuple[str, ...]
    caution: str = CAUTION

    def to_dict(self) -> dict[str, Any]:
        """Everything, ready for JSON: units in the keys, infinity as None."""
        values = asdict(self)
        values["camera"]["pitch_mm"] = self.camera.pitch_mm
        values["subject"]["focus_by"] = (
            "lens" if isinstance(self.subject, Distances) else "rail"
        )
        return {"schema": "stacker.plan/1", **_finite(values)}


def _finite(value: Any) -> Any:
    """Replace what JSON cannot say: infinity becomes None, tuples lists."""
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    return None if isinstance(value, float) and not isfinite(value) else value
