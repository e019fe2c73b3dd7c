"""Choose the aperture and put the plan together."""

from dataclasses import dataclass, replace

from stacker import aperture, diffraction, optics
from stacker.planning.cells import Cells, Fit, FocusedCells, RailCells
from stacker.planning.plan import (
    AperturePlan,
    BracketPlan,
    FusionEstimate,
    OneFrame,
)
from stacker.planning.request import (
    BlurCriterion,
    Camera,
    CloseUp,
    Distances,
    Rig,
    check,
)
from stacker.planning.wording import figures_text
from stacker.settings import PlanSettings

__all__ = [
    "FUSION_BYTES_PER_100_MP",
    "FUSION_S_PER_100_MP_FRAME",
    "plan_bracket",
]

# Two cores, 16-bit RGB from uncompressed TIFF; see benchmarks/speed.py.
FUSION_S_PER_100_MP_FRAME = 1.7
FUSION_BYTES_PER_100_MP = 3.45e9

_BYTES_PER_PIXEL_RGB16 = 6
_BYTES_PER_PIXEL_MAPS = 4
"""Depth (2), confidence (1) and coverage (1) beside the master."""

_DISTANCES_UNSURE_FROM = 0.1
"""Magnification from which the place of a real lens's principal planes moves distances
by more than a step (our own choice: a tenth of life size)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Judge:
    """Turns the frames at one aperture into sharpness, light and time."""

    camera: Camera
    settings: PlanSettings
    is_objective: bool

    def mtf50(self, fit: Fit) -> float:
        """MTF50 at the softest point, pixels included, in cycles per millimetre."""
        return diffraction.mtf50(
            defocus_mm=fit.defocus_mm,
            effective_number=fit.effective_f_number,
            wavelength_mm=self.settings.wavelength_nm * 1e-6,
            pitch_mm=self.camera.pitch_mm,
        )

    def plan(self, f_number: float, fit: Fit) -> AperturePlan:
        """Everything but what compares with other apertures."""
        s, wavelength_mm = self.settings, self.settings.wavelength_nm * 1e-6
        blur_mm = diffraction.equivalent_disc(
            defocus_mm=fit.defocus_mm,
            effective_number=fit.effective_f_number,
            wavelength_mm=wavelength_mm,
        )
        mtf50 = self.mtf50(fit)
        n = len(fit.positions)
        travel = [p.travel_mm for p in fit.positions]
        return AperturePlan(
            f_number=None if self.is_objective else f_number,
            effective_f_number=fit.effective_f_number,
            depth_of_field_mm=fit.depth_of_field_mm,
            one_frame_covers=fit.one_frame_covers,
            n_frames_needed=fit.n_frames_needed,
            n_frames=n,
            least_overlap=fit.least_overlap,
            near_step_mm=travel[1] - travel[0] if n > 1 else 0.0,
            far_step_mm=travel[-1] - travel[-2] if n > 1 else 0.0,
            defocus_mm=fit.defocus_mm,
            airy_mm=diffraction.airy_diameter(fit.effective_f_number, wavelength_mm),
            blur_mm=blur_mm,
            blur_px=blur_mm / self.camera.pitch_mm,
            mtf50_cycles_per_mm=mtf50,
            mtf50_cycles_per_px=mtf50 * self.camera.pitch_mm,
            of_best=1.0,
            light=None,
            capture_s=n * s.exposure_s + (n - 1) * max(s.recycle_s, s.settle_s),
        )


def plan_bracket(
    camera: Camera,
    rig: Rig,
    subject: Distances | CloseUp,
    *,
    criterion: BlurCriterion | None = None,
    settings: PlanSettings | None = None,
) -> BracketPlan:
    """Plan the bracket that covers a subject.

    Parameters
    ----------
    camera : Camera
        The sensor.
    rig : Rig
        The lens, or a microscope objective.
    subject : Distances or CloseUp
        `Distances`: the camera stays and the lens is focused. `CloseUp`: the camera
        travels on a rail and the magnification stays.
    criterion : BlurCriterion, optional
        What counts as sharp; by default `settings.blur_px` pixels.
    settings : PlanSettings, optional
        Aperture, frames, overlap, times.

    Returns
    -------
    BracketPlan

    Raises
    ------
    InputError
        Something that cannot be: a subject within the focal length, a microscope
        objective with an f-number.

    Notes
    -----
    The sharpest aperture has the highest MTF50 at the softest point of the subject
    (half-way between two frames, with diffraction; `diffraction.mtf50`) with the frames
    that the overlap asks for there, at most `settings.max_frames`. As long as more
    frames keep defocus the same, the wider aperture wins; with the number of frames
    given, or at its limit, there is an optimum between defocus and diffraction (Hansma, View Camera Focusing in Practice, Photo Techniques, March 1996, from
    memory, adds the two discs as squares; here it is by MTF50).
    """
    settings = settings or PlanSettings()
    criterion = criterion or BlurCriterion.from_pixels(camera, settings.blur_px)
    _check_objective(rig, subject, settings)
    cells = _cells(rig, subject, criterion, settings)
    judge = _Judge(
        camera=camera,
        settings=settings,
        is_objective=rig.numerical_aperture is not None,
    )
    fits = {
        n: cells.fit(n, settings.n_frames, settings.max_frames)
        for n in _apertures(rig, subject, settings)
    }
    plans = {n: judge.plan(n, fit) for n, fit in fits.items()}
    sharpest_number = _sharpest(plans, settings)
    chosen_number = settings.f_number or sharpest_number
    best = plans[sharpest_number].mtf50_cycles_per_mm
    lights_number = settings.lights_f_number or chosen_number
    plans = {
        n: replace(
            plan,
            of_best=plan.mtf50_cycles_per_mm / best,
            light=aperture.light_change(lights_number, n) if plan.f_number else None,
        )
        for n, plan in plans.items()
    }
    chosen = plans[chosen_number]
    positions = fits[chosen_number].positions
    plan = BracketPlan(
        camera=camera,
        rig=rig,
        subject=subject,
        criterion=criterion,
        settings=settings,
        chosen=chosen,
        sharpest=plans[sharpest_number],
        apertures=tuple(plans.values()),
        positions=positions,
        one_frame=None if judge.is_objective else _one_frame(cells, judge, chosen),
        hyperfocal_mm=_hyperfocal(rig, subject, chosen, criterion),
        breathing=_scale_change(rig, subject, fits[chosen_number]),
        extension_loss_stops=_extension_loss(rig, fits[chosen_number]),
        fusion=_fusion_estimate(camera, len(positions)),
        notes=(),
    )
    return replace(plan, notes=_notes(plan))


def _check_objective(
    rig: Rig, subject: Distances | CloseUp, settings: PlanSettings
) -> None:
    if rig.numerical_aperture is not None:
        check(
            isinstance(subject, CloseUp) and settings.f_number is None,
            "a numerical aperture goes with a magnification and a depth, and takes the "
            "place of the f-number",
        )


def _cells(
    rig: Rig,
    subject: Distances | CloseUp,
    criterion: BlurCriterion,
    settings: PlanSettings,
) -> Cells:
    if isinstance(subject, Distances):
        return FocusedCells(
            rig, subject, coc_mm=criterion.coc_mm, overlap=settings.overlap
        )
    return RailCells(
        rig,
        subject,
        coc_mm=criterion.coc_mm,
        overlap=settings.overlap,
        wavelength_mm=settings.wavelength_nm * 1e-6,
    )


def _offered(settings: PlanSettings) -> list[float]:
    """Apertures that may be recommended, widest first."""
    low, high = settings.widest_f_number, settings.smallest_f_number
    between = {n for n in aperture.NOMINAL_F_NUMBERS if low <= n <= high}
    return sorted(between | {low, high})


def _apertures(
    rig: Rig, subject: Distances | CloseUp, settings: PlanSettings
) -> list[float]:
    """All apertures to look at; an objective has one, its working f-number."""
    if rig.numerical_aperture is not None and isinstance(subject, CloseUp):
        return [
            diffraction.objective_f_number(
                rig.numerical_aperture, subject.magnification
            )
        ]
    asked = {settings.f_number, settings.lights_f_number}
    return sorted({*_offered(settings), *(n for n in asked if n is not None)})


def _sharpest(plans: dict[float, AperturePlan], settings: PlanSettings) -> float:
    offered = set(_offered(settings)) & set(plans) or set(plans)
    return max(offered, key=lambda n: plans[n].mtf50_cycles_per_mm)


def _one_frame(cells: Cells, judge: _Judge, chosen: AperturePlan) -> OneFrame:
    needed = cells.covering_f_number()
    covering = cells.fit(needed, 1, 1)
    mtf50 = {n: judge.mtf50(cells.fit(n, 1, 1)) for n in _offered(judge.settings)}
    sharpest = max(mtf50, key=lambda n: mtf50[n])
    of_covering = judge.mtf50(covering)
    return OneFrame(
        needed_f_number=needed,
        airy_mm=diffraction.airy_diameter(
            covering.effective_f_number, judge.settings.wavelength_nm * 1e-6
        ),
        mtf50_cycles_per_px=of_covering * judge.camera.pitch_mm,
        of_bracket=of_covering / chosen.mtf50_cycles_per_mm,
        sharpest_f_number=sharpest,
        sharpest_of_bracket=mtf50[sharpest] / chosen.mtf50_cycles_per_mm,
    )


def _hyperfocal(
    rig: Rig,
    subject: Distances | CloseUp,
    chosen: AperturePlan,
    criterion: BlurCriterion,
) -> float | None:
    if isinstance(subject, CloseUp) or chosen.f_number is None:
        return None
    return optics.hyperfocal_distance(rig.lens(chosen.f_number), criterion.coc_mm)


def _scale_change(rig: Rig, subject: Distances | CloseUp, fit: Fit) -> float | None:
    """Growth of the picture: near against far focus, or along the rail."""
    near, far = fit.positions[0], fit.positions[-1]
    if isinstance(subject, Distances):
        return optics.breathing(
            near.magnification, far.magnification, rig.pupil_magnification
        )
    if rig.focal_length_mm is None:
        return None
    # From the entrance pupil to the plane in focus: f (1/m + 1/P).
    reach_mm = rig.focal_length_mm * (
        1 / subject.magnification + 1 / rig.pupil_magnification
    )
    check(
        far.travel_mm < reach_mm,
        f"the camera would travel {far.travel_mm:.0f} mm but the lens is only "
        f"{reach_mm:.0f} mm from the subject: use a smaller depth or magnification",
    )
    return reach_mm / (reach_mm - far.travel_mm) - 1


def _extension_loss(rig: Rig, fit: Fit) -> tuple[float, float]:
    near, far = (
        aperture.extension_loss(p.magnification, rig.pupil_magnification)
        for p in (fit.positions[0], fit.positions[-1])
    )
    return near, far


def _fusion_estimate(camera: Camera, n_frames: int) -> FusionEstimate:
    of_100_mp = camera.n_pixels / 1e8
    return FusionEstimate(
        frames_bytes=n_frames * camera.n_pixels * _BYTES_PER_PIXEL_RGB16,
        master_bytes=camera.n_pixels * _BYTES_PER_PIXEL_RGB16,
        maps_bytes=camera.n_pixels * _BYTES_PER_PIXEL_MAPS,
        time_s=n_frames * of_100_mp * FUSION_S_PER_100_MP_FRAME,
        peak_bytes=round(of_100_mp * FUSION_BYTES_PER_100_MP),
    )


def _notes(plan: BracketPlan) -> tuple[str, ...]:
    nearest = plan.positions[0]
    is_unsure = (
        nearest.distance_mm is not None
        and nearest.magnification >= _DISTANCES_UNSURE_FROM
    )
    notes = (
        _overlap_note(plan.chosen, plan.settings),
        _diffraction_note(plan),
        "Where the ends of the subject are only estimated, take one more frame at each "
        "(common practice): a missing end cannot be made good later."
        if len(plan.positions) > 1
        else "",
        "This close, distances depend on how a real lens is built: focus the first frame "
        "by eye near the front of the subject, and keep the number and size of the steps."
        if is_unsure
        else "",
    )
    return tuple(note for note in notes if note)


def _overlap_note(chosen: AperturePlan, settings: PlanSettings) -> str:
    n = chosen.n_frames
    if n >= chosen.n_frames_needed:
        return ""
    asked = (
        f"An overlap of {settings.overlap:.0%} takes {chosen.n_frames_needed} frames; "
        f"with {n} "
    )
    if chosen.least_overlap >= 0:
        return f"{asked}it is {chosen.least_overlap:.0%}."
    return (
        f"{asked}the steps are wider than the depth of field, and the picture is softer "
        "than asked for between the frames."
    )


def _diffraction_note(plan: BracketPlan) -> str:
    alone_mm = diffraction.equivalent_disc(
        defocus_mm=0.0,
        effective_number=plan.chosen.effective_f_number,
        wavelength_mm=plan.settings.wavelength_nm * 1e-6,
    )
    if alone_mm <= plan.criterion.coc_mm:
        return ""
    return (
        f"Diffraction alone is as soft as a disc of {figures_text(alone_mm / plan.camera.pitch_mm)} "
        f"pixels, more than the {figures_text(plan.criterion.pixels)} asked for: with fewer frames, "
        "by a criterion of that size, little would be lost."
    )
