"""Cut the depth into cells, one frame focused in the middle of each.

Every point of the subject then lies within half a step of a focus, the two ends
included. Two ways: `FocusedCells` (the lens is focused; equal cells in 1/distance from
the entrance pupil) and `RailCells` (the camera travels; equal cells in millimetres).
Both answer a `Fit` for an aperture.
"""

from dataclasses import dataclass
from math import ceil
from typing import Protocol

from stacker import aperture, diffraction, optics
from stacker.planning.plan import FocusPosition
from stacker.planning.request import CloseUp, Distances, Rig

__all__ = ["Cells", "Fit", "FocusedCells", "RailCells"]

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Frames that cover the depth at one aperture; fields as in `AperturePlan`."""

    effective_f_number: float
    depth_of_field_mm: float
    one_frame_covers: bool
    n_frames_needed: int
    defocus_mm: float
    least_overlap: float
    positions: tuple[FocusPosition, ...]


class Cells(Protocol):
    """A subject, ready to be cut."""

    def fit(self, f_number: float, n_frames: int | None, max_frames: int) -> Fit:
        """Cover the depth with `n_frames`, or with as many as the overlap asks.

        The latter are at most `max_frames`, overlap or not.
        """
        ...

    def covering_f_number(self) -> float:
        """f-number at which one frame covers all; not for an objective."""
        ...


def _count(cells: float) -> int:
    return max(1, ceil(cells - _ROUNDING))


class FocusedCells:
    """A camera that stays, a lens that is focused.

    Parameters
    ----------
    rig : Rig
        With a focal length.
    subject : Distances
        What must be sharp.
    coc_mm : float
        Disc that counts as sharp.
    overlap : float
        Of neighbouring frames, as a share of the depth of field.
    """

    def __init__(
        self, rig: Rig, subject: Distances, *, coc_mm: float, overlap: float
    ) -> None:
        self._rig = rig
        self._zone = optics.Zone(near_mm=subject.near_mm, far_mm=subject.far_mm)
        self._coc_mm = coc_mm
        self._overlap = overlap

    def fit(self, f_number: float, n_frames: int | None, max_frames: int) -> Fit:
        """Cover the depth; see `Cells`."""
        lens = self._rig.lens(f_number)
        kappa = lens.kappa(self._coc_mm)
        w_near = optics.pupil_position(lens, self._zone.near_mm)
        w_far = optics.pupil_position(lens, self._zone.far_mm)
        # The nearest cell is the hardest: half a step h/2 at w = w_near + h/2 must keep
        # to (1 - overlap) kappa w.
        allowed = (1 - self._overlap) * kappa
        widest_step = 2 * w_near * allowed / (1 - allowed)
        needed = _count((w_far - w_near) / widest_step)
        n = n_frames or min(needed, max_frames)
        step = (w_far - w_near) / n
        first = w_near + step / 2
        centre = optics.distance_at_position(lens, (w_near + w_far) / 2)
        positions = self._positions(lens, [first + i * step for i in range(n)])
        return Fit(
            effective_f_number=aperture.effective_f_number(
                lens.f_number, positions[0].magnification, lens.pupil_magnification
            ),
            depth_of_field_mm=optics.depth_of_field(
                lens, centre, self._coc_mm
            ).depth_mm,
            one_frame_covers=(w_far - w_near) / (w_far + w_near)
            <= kappa * (1 + _ROUNDING),
            n_frames_needed=needed,
            defocus_mm=self._coc_mm * step / 2 / first / kappa,
            least_overlap=1.0 if n == 1 else 1 - step / (2 * first + step) / kappa,
            positions=positions,
        )

    def _positions(
        self, lens: optics.Lens, at: list[float]
    ) -> tuple[FocusPosition, ...]:
        distances = [optics.distance_at_position(lens, w) for w in at]
        return tuple(
            FocusPosition(
                travel_mm=x - distances[0],
                distance_mm=x,
                from_sensor_mm=optics.sensor_distance(lens, x),
                magnification=optics.magnification(lens, x),
                sharp=optics.depth_of_field(lens, x, self._coc_mm),
            )
            for x in distances
        )

    def covering_f_number(self) -> float:
        """f-number at which one frame covers all."""
        return optics.f_number_covering(self._rig.lens(1.0), self._zone, self._coc_mm)


class RailCells:
    """A camera on a rail, or a microscope's stage: the magnification stays.

    Parameters as for `FocusedCells`, with a `CloseUp` subject.
    """

    def __init__(
        self,
        rig: Rig,
        subject: CloseUp,
        *,
        coc_mm: float,
        overlap: float,
        wavelength_mm: float,
    ) -> None:
        self._rig = rig
        self._subject = subject
        self._coc_mm = coc_mm
        self._overlap = overlap
        self._wavelength_mm = wavelength_mm

    def fit(self, f_number: float, n_frames: int | None, max_frames: int) -> Fit:
        """Cover the depth; see `Cells`. An objective has its own f-number."""
        m, depth_mm = self._subject.magnification, self._subject.depth_mm
        n_eff, sharp_mm = self._depth_of_field(f_number)
        needed = _count(depth_mm / ((1 - self._overlap) * sharp_mm))
        n = n_frames or min(needed, max_frames)
        step_mm = depth_mm / n
        return Fit(
            effective_f_number=n_eff,
            depth_of_field_mm=sharp_mm,
            one_frame_covers=depth_mm <= sharp_mm * (1 + _ROUNDING),
            n_frames_needed=needed,
            defocus_mm=step_mm / 2 * m**2 / n_eff / self._rig.medium_index,
            least_overlap=1.0 if n == 1 else 1 - step_mm / sharp_mm,
            positions=tuple(
                FocusPosition(
                    travel_mm=i * step_mm,
                    distance_mm=None,
                    from_sensor_mm=None,
                    magnification=m,
                    sharp=optics.Zone(
                        near_mm=(i + 0.5) * step_mm - sharp_mm / 2,
                        far_mm=(i + 0.5) * step_mm + sharp_mm / 2,
                    ),
                )
                for i in range(n)
            ),
        )

    def _depth_of_field(self, f_number: float) -> tuple[float, float]:
        """Effective f-number, and depth of field of one frame."""
        m, na = self._subject.magnification, self._rig.numerical_aperture
        if na is not None:
            sharp_mm = diffraction.microscope_depth(
                na,
                self._wavelength_mm,
                self._rig.medium_index,
                coc_over_magnification_mm=self._coc_mm / m,
            )
            return diffraction.objective_f_number(na, m), sharp_mm
        n_eff = aperture.effective_f_number(f_number, m, self._rig.pupil_magnification)
        return n_eff, optics.close_up_depth(n_eff, m, self._coc_mm)

    def covering_f_number(self) -> float:
        """f-number at which one frame covers all; not for an objective."""
        m = self._subject.magnification
        n_eff = self._subject.depth_mm * m**2 / (2 * self._coc_mm)
        return n_eff / aperture.effective_f_number(
            1.0, m, self._rig.pupil_magnification
        )
