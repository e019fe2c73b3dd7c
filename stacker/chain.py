"""The frames of a bracket registered one after the other, each to the last that could be.

What the first pass keeps of each frame lies here, and what is settled from it: which
frame is the reference, where all others lie in it, and how bright they are beside it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.align import (
    ReducedFrame,
    Registration,
    measure_gain,
    refine_transforms,
    register_pair,
)
from stacker.depth import FocusMaps
from stacker.errors import AlignmentError
from stacker.frame import Finding, FrameInfo, FrameRecord, Matrix3x3
from stacker.geometry import at_level, field_scale, reduced_shape
from stacker.refinement import Prepared
from stacker.settings import FuseSettings

__all__ = ["Chain", "UsedFrame"]

# Neighbours are registered on so many pixels at first, for maps of half the frames' size;
# `to_reference` works on all that was kept.
PAIR_PIXELS = 5.0e5


@dataclass(slots=True)
class UsedFrame:
    """A frame that takes part: what the first pass keeps of it.

    Attributes
    ----------
    number : int
        0-based, in the bracket.
    reduced : ReducedFrame
        Its small copies.
    to_first : (3, 3) float64 array
        Its pixels to those of the first used frame.
    correlation : float
        ECC value against the frame before, 0..1.
    gain : (C,) float64 array
        Its linear light relative to the first used frame.
    """

    number: int
    reduced: ReducedFrame
    to_first: Matrix3x3
    correlation: float
    gain: npt.NDArray[np.float64]


class Chain:
    """Registers frames in order.

    Parameters
    ----------
    infos : sequence of FrameInfo
        Of all frames of the bracket.
    settings : FuseSettings
    n_threads : int
        Threads to work with.

    Attributes
    ----------
    used : list of UsedFrame
        Frames that take part, in order.
    findings : list of Finding
        One for each frame that was left out.
    """

    def __init__(
        self, infos: Sequence[FrameInfo], settings: FuseSettings, n_threads: int
    ) -> None:
        self._infos = infos
        self._align = settings.align
        self._is_strict = settings.strict
        self._n_threads = n_threads
        self._shape = (infos[0].height, infos[0].width)
        self._last: Prepared | None = None
        self._left_out: dict[int, tuple[float, str]] = {}
        self.used: list[UsedFrame] = []
        self.findings: list[Finding] = []

    def add(self, number: int, reduced: ReducedFrame) -> UsedFrame | None:
        """Register the next frame; None where it must be left out.

        Raises
        ------
        AlignmentError
            It cannot be registered, and settings are strict.
        """
        luma = reduced.luma
        if luma.size > PAIR_PIXELS:
            small = reduced_shape(luma.shape, PAIR_PIXELS)
            luma = np.asarray(_opencv.area_reduce(luma, small), np.float32)
        prepared, before = Prepared(luma), self._last
        if before is None:
            ones = np.ones(self._infos[0].n_channels)
            frame = UsedFrame(number, reduced, np.eye(3), 1.0, ones)
        else:
            found = self._registered(before, prepared)
            if found is None or found.correlation < self._align.min_correlation:
                self._leave_out(number, found)
                return None
            previous = self.used[-1]
            step = at_level(found.mov_to_ref, luma.shape, self._shape)
            gain = previous.gain
            if self._align.normalise_light:
                light = measure_gain(previous.reduced, reduced, step, self._shape)
                gain = previous.gain * light.ratio
            to_first = previous.to_first @ step
            frame = UsedFrame(number, reduced, to_first, found.correlation, gain)
        self._last = prepared
        self.used.append(frame)
        return frame

    def _registered(self, before: Prepared, frame: Prepared) -> Registration | None:
        if not self._align.enabled:
            return Registration(np.eye(3), 1.0)
        return register_pair(
            before, frame, self._align.motion, n_threads=self._n_threads
        )

    def _leave_out(self, number: int, found: Registration | None) -> None:
        name = self._infos[number].name
        reached = "no answer" if found is None else f"{found.correlation:.2f}"
        msg = (
            f"frame {number} ({name}) cannot be registered to its neighbour "
            f"(correlation {reached}, needed {self._align.min_correlation:.2f})"
        )
        if self._is_strict:
            stopped = f"{msg}: take it out, or run without strict to have it left out"
            value = None if found is None else found.correlation
            raise AlignmentError(stopped, frame_index=number, correlation=value)
        self._left_out[number] = (0.0 if found is None else found.correlation, msg)
        self.findings.append(
            Finding(
                code="frame_left_out",
                message=f"{msg}; it was left out.",
                severity="look",
                frames=(number,),
                action="See whether the camera was knocked or the frame is of another "
                "picture; shoot it again if its depth is missing.",
            )
        )

    def close(self) -> None:
        """Say that no frame follows.

        Raises
        ------
        AlignmentError
            Fewer than two frames belong together.
        """
        self._last = None
        if len(self.used) < 2:
            msg = (
                "no two frames can be registered to each other: check that the frames "
                "belong to one bracket, or use --no-align if they are registered"
            )
            raise AlignmentError(msg, frame_index=0)

    def choose_reference(self) -> int:
        """Place of the reference in the list of used frames.

        Raises
        ------
        AlignmentError
            The one that was asked for was left out.
        """
        wanted = self._align.reference
        n = len(self.used)
        if wanted == "auto":
            # Narrowest field: its pixels are the smallest in every other frame.
            scales = [field_scale(u.to_first) for u in self.used]
            return int(np.argmin(scales))
        if wanted in ("first", "middle", "last"):
            return {"first": 0, "middle": n // 2, "last": n - 1}[str(wanted)]
        numbers = [u.number for u in self.used]
        if wanted not in numbers:
            reason = self._left_out[int(wanted)][1]
            msg = f"the reference was left out: {reason}: choose another --reference"
            raise AlignmentError(msg, frame_index=int(wanted))
        return numbers.index(int(wanted))

    def to_reference(self, reference: int, maps: FocusMaps) -> list[Matrix3x3]:
        """Pixels of each used frame to those of the reference, refined where in focus."""
        base = self.used[reference]
        from_first = np.linalg.inv(base.to_first)
        transforms = [from_first @ u.to_first for u in self.used]
        if self._align.enabled:
            small = base.reduced.luma.shape
            refined = refine_transforms(
                [u.reduced.luma for u in self.used],
                [at_level(t, self._shape, small) for t in transforms],
                reference,
                maps,
                self._align.motion,
                n_threads=self._n_threads,
            )
            transforms = [at_level(t, small, self._shape) for t in refined]
        return [t / t[2, 2] for t in transforms]

    def gains(
        self, reference: int, transforms: Sequence[Matrix3x3]
    ) -> list[npt.NDArray[np.float64]]:
        """Light of each used frame relative to the reference, measured directly."""
        base = self.used[reference]
        out = []
        for used, transform in zip(self.used, transforms, strict=True):
            if used is base or not self._align.normalise_light:
                out.append(np.ones(len(base.gain)))
                continue
            direct = measure_gain(base.reduced, used.reduced, transform, self._shape)
            chained = used.gain / base.gain
            out.append(direct.ratio if direct.n_blocks else chained)
        return out

    def records(
        self,
        transforms: Sequence[Matrix3x3],
        gains: Sequence[npt.NDArray[np.float64]],
        shares: npt.NDArray[np.float64],
    ) -> tuple[FrameRecord, ...]:
        """Tell what was found out about each frame of the bracket.

        Parameters
        ----------
        transforms, gains
            Of the used frames, as the methods of these names return them.
        shares : (n,) array
            Part of the master that each frame of the bracket contributed most to.
        """
        place = {u.number: k for k, u in enumerate(self.used)}
        ones = np.ones(self._infos[0].n_channels)
        records = []
        for number, info in enumerate(self._infos):
            k = place.get(number)
            correlation, reason = self._left_out.get(number, (0.0, ""))
            gain = ones if k is None else gains[k]
            records.append(
                FrameRecord(
                    transform=np.eye(3) if k is None else transforms[k],
                    correlation=correlation if k is None else self.used[k].correlation,
                    gain_ev=tuple(float(-np.log2(g)) for g in gain),
                    share=float(shares[number]),
                    used=k is not None,
                    warnings=info.notes if k is not None else (*info.notes, reason),
                )
            )
        return tuple(records)
