"""The stages in order, over frames from anywhere: no file is opened here.

First pass, one frame at a time: register to the neighbour, measure light and sharpness,
keep the running peak. Then, on the small copies: choose the reference, refine the
registration, settle the light. Second pass, again one frame at a time: resample where
the frame has weight and add it to the picture.
"""

import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.align import (
    ReducedFrame,
    Registration,
    measure_gain,
    reduce_frame,
    refine_transforms,
    register_pair,
)
from stacker.depth import FocusMaps, carried_over
from stacker.errors import AlignmentError, BracketError, InputError
from stacker.events import Event, OnEvent, ignore_event
from stacker.frame import (
    ArraySource,
    Box,
    Finding,
    FrameRecord,
    FrameSource,
    FusionResult,
    ImageF32,
    Matrix3x3,
    Pixels,
    TransferTable,
)
from stacker.geometry import HALF_TO_FULL, at_level, field_scale, half_shape
from stacker.glints import settle_glints
from stacker.inspection import (
    blur_per_frame,
    find_specks,
    inspect_reading,
    read_facts,
    worst_first,
)
from stacker.light import check_transfer, normalising_table, srgb_transfer
from stacker.memory import plan_memory
from stacker.passes import HostPasses
from stacker.prefetch import Prefetch
from stacker.refinement import Prepared
from stacker.settings import AlignSettings, FuseSettings
from stacker.sharpness import NoiseFloor, NoiseModel
from stacker.survey import Survey
from stacker.unused import keep_out, on_specks

if TYPE_CHECKING:
    from stacker.arrays.passes import ArrayPasses

__all__ = ["fuse_frames", "fuse_source"]

# Grid of the first pass beyond frame 0, for references that see more than it.
MARGIN_FRAC = 0.08


@dataclass(slots=True)
class _Used:
    """A frame that takes part: what the first pass keeps of it."""

    number: int
    reduced: ReducedFrame
    to_first: Matrix3x3
    correlation: float
    gain: np.ndarray


@dataclass(slots=True)
class _Clock:
    """Seconds by stage."""

    seconds: dict[str, float] = field(default_factory=dict)
    _since: float = field(default_factory=time.perf_counter)

    def lap(self, stage: str) -> None:
        now = time.perf_counter()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + now - self._since
        self._since = now


def fuse_frames(
    frames: Sequence[Pixels],
    settings: FuseSettings | None = None,
    *,
    transfer: TransferTable | None = None,
    on_event: OnEvent = ignore_event,
) -> FusionResult:
    """Fuse a focus bracket that is in memory.

    Parameters
    ----------
    frames : sequence of arrays
        (H, W) or (H, W, 3) RGB, uint8 or uint16, in depth order (either direction), at
        least two. Not modified.
    settings : FuseSettings, optional
        Defaults where left out.
    transfer : (C, 65536) float32 array, optional
        Linear light 0..1 by 16-bit code; the sRGB curve where left out.
    on_event : callable
        Receives progress.

    Returns
    -------
    FusionResult

    Raises
    ------
    InputError, BracketError
        Arrays that make no bracket.
    AlignmentError
        No two frames can be registered; with `FuseSettings.strict`, any cannot.
    """
    source = ArraySource(frames)
    return fuse_source(source, settings, transfer=transfer, on_event=on_event)


def fuse_source(
    source: FrameSource,
    settings: FuseSettings | None = None,
    *,
    transfer: TransferTable | None = None,
    on_event: OnEvent = ignore_event,
) -> FusionResult:
    """Fuse the frames of a source; see `fuse_frames`.

    Each frame is read twice, one at a time: memory does not grow with their number.
    """
    settings = settings or FuseSettings()
    run = _Run(source, settings, transfer, on_event)
    with run.passes.errors(), run.supply:
        run.first_pass()
        run.settle()
        return run.second_pass()


def _passes(settings: FuseSettings, n_threads: int) -> "HostPasses | ArrayPasses":
    """Make what does the work on the device that was asked for."""
    if settings.device == "cpu":
        return HostPasses(n_threads)
    from stacker.arrays.card import CardPasses  # noqa: PLC0415  only where asked for

    return CardPasses()


class _Run:
    """One fusion; the methods are its stages, called once each, in order."""

    def __init__(
        self,
        source: FrameSource,
        settings: FuseSettings,
        transfer: TransferTable | None,
        on_event: OnEvent,
    ) -> None:
        infos = source.infos
        if len(infos) < 2:
            msg = f"a bracket needs at least two frames, found {len(infos)}"
            raise BracketError(msg)
        self.source = source
        self.settings = settings
        self.n = len(infos)
        self.shape = (infos[0].height, infos[0].width)
        self.channels = infos[0].n_channels
        self.table = srgb_transfer(self.channels) if transfer is None else transfer
        check_transfer(self.table, self.channels)
        reference = settings.align.reference
        if isinstance(reference, int) and reference >= self.n:
            msg = f"reference is {reference}: the bracket has frames 0 to {self.n - 1}"
            raise InputError(msg)
        self.on_event = on_event
        self.n_threads = settings.threads or os.cpu_count() or 1
        _opencv.set_threads(self.n_threads)
        self.clock = _Clock()
        self.started = time.perf_counter()
        self.used: list[_Used] = []
        self.prepared: Prepared | None = None
        self.findings: list[Finding] = []
        self.left_out: dict[int, tuple[float, str]] = {}
        pad = 0.0 if reference in ("auto", "first", 0) else MARGIN_FRAC
        self.pad = (
            2 * round(self.shape[0] * pad / 2),
            2 * round(self.shape[1] * pad / 2),
        )
        self.grid = (self.shape[0] + 2 * self.pad[0], self.shape[1] + 2 * self.pad[1])
        self.plan = plan_memory(
            (*self.shape, self.channels),
            infos[0].bit_depth // 8,
            self.n,
            grid_pixels=self.grid[0] * self.grid[1],
            limit_gib=settings.memory_gib,
        )
        self.supply = Prefetch(
            source, is_ahead=self.plan.is_ahead, n_kept=self.plan.n_kept
        )
        self.passes = _passes(settings, self.n_threads)
        self.noise = NoiseModel()
        self.survey = Survey(self.shape, self.table, n_threads=self.n_threads)

    def _frames(
        self, numbers: Sequence[int], boxes: Sequence[Box] | None = None
    ) -> Iterator[Pixels]:
        """Frames or regions of them as (h, w, C); waiting for them counts as decoding."""
        waiting = self.supply.frames(numbers, boxes)
        for k in range(len(numbers)):
            raw = next(waiting)
            self.clock.lap("decode")
            rows = boxes[k].height if boxes else self.shape[0]
            yield raw.reshape(rows, self.shape[1], self.channels)
            del raw

    # First pass ---------------------------------------------------------------

    def first_pass(self) -> None:
        """Register, measure light and sharpness, one frame at a time."""
        self.peaks = self.passes.peaks(half_shape(self.grid))
        self.seen = self.passes.seen(half_shape(self.grid))
        for number, raw in enumerate(self._frames(range(self.n))):
            energy, luma = self.passes.laplacian_energy(raw)
            self.clock.lap("measure")
            small = self.passes.for_registration(luma, self.shape)
            reduced = reduce_frame(raw, small, self.table)
            frame = self._register(number, reduced)
            self.clock.lap("align")
            if frame is not None:
                self.used.append(frame)
                self._measure(energy, luma, frame)
                self.survey.add(
                    number,
                    raw,
                    frame.reduced,
                    frame.to_first,
                    frame.gain,
                    frame.correlation,
                )
                frame.reduced = frame.reduced.put_by()
                self.clock.lap("measure")
            name = self.source.infos[number].name
            self.on_event(
                Event(stage="measure", done=number + 1, total=self.n, message=name)
            )
        if len(self.used) < 2:
            msg = (
                "no two frames can be registered to each other: check that the frames "
                "belong to one bracket, or use --no-align if they are registered"
            )
            raise AlignmentError(msg, frame_index=0)

    def _register(self, number: int, reduced: ReducedFrame) -> _Used | None:
        align = self.settings.align
        ones = np.ones(self.channels)
        prepared, before = Prepared(reduced.luma), self.prepared
        if not self.used:
            self.prepared = prepared
            return _Used(number, reduced, np.eye(3), 1.0, ones)
        previous = self.used[-1]
        found: Registration | None = Registration(np.eye(3), 1.0)
        if align.enabled:
            assert before is not None  # noqa: S101  for the type checker
            found = register_pair(
                before, prepared, align.motion, n_threads=self.n_threads
            )
            if found is None or found.correlation < align.min_correlation:
                self._leave_out(number, found)
                return None
        assert found is not None  # noqa: S101  for the type checker
        self.prepared = prepared
        small = reduced.luma.shape
        step = at_level(found.mov_to_ref, small, self.shape)
        gain = previous.gain
        if align.normalise_light:
            ratio = measure_gain(previous.reduced, reduced, step, self.shape).ratio
            gain = previous.gain * ratio
        to_first = previous.to_first @ step
        return _Used(number, reduced, to_first, found.correlation, gain)

    def _leave_out(self, number: int, found: Registration | None) -> None:
        name = self.source.infos[number].name
        reached = "no answer" if found is None else f"{found.correlation:.2f}"
        limit = self.settings.align.min_correlation
        msg = (
            f"frame {number} ({name}) cannot be registered to its neighbour "
            f"(correlation {reached}, needed {limit:.2f})"
        )
        if self.settings.strict:
            stopped = f"{msg}: take it out, or run without strict to have it left out"
            reached_value = None if found is None else found.correlation
            raise AlignmentError(stopped, frame_index=number, correlation=reached_value)
        self.left_out[number] = (0.0 if found is None else found.correlation, msg)
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

    def _measure(self, energy: ImageF32, luma: ImageF32, frame: _Used) -> None:
        self.noise.add(self.passes.for_noise(energy), self.passes.for_noise(luma))
        # Half way up the range is a fair place for the slope of the light's correction.
        curve = normalising_table(self.table, frame.gain).mean(axis=0)
        slope = float(curve[40000] - curve[20000]) / ((40000 - 20000) / 65535)
        to_grid = self._to_grid() @ frame.to_first
        to_frame = np.linalg.inv(HALF_TO_FULL) @ np.linalg.inv(to_grid) @ HALF_TO_FULL
        energy, luma = self.passes.taken_in(energy, luma, slope, to_frame, self.seen)
        self.peaks.add(energy, luma)

    def _to_grid(self) -> Matrix3x3:
        """Frame 0 to the grid of the first pass."""
        shift = np.eye(3)
        shift[:2, 2] = self.pad[1], self.pad[0]
        return shift

    # Between the passes -------------------------------------------------------

    def settle(self) -> None:
        """Choose the reference, refine the registration, settle the light."""
        self.supply.rest()
        align = self.settings.align
        self.floor: NoiseFloor = self.noise.finish(self.table)
        self.reference = self._choose_reference(align)
        base = self.used[self.reference]
        from_first = np.linalg.inv(base.to_first)
        self.maps = self._focus_maps(base)
        maps = self.passes.downloaded(self.maps)
        transforms = [from_first @ u.to_first for u in self.used]
        if align.enabled:
            small = base.reduced.luma.shape
            refined = refine_transforms(
                [u.reduced.luma for u in self.used],
                [at_level(t, self.shape, small) for t in transforms],
                self.reference,
                maps,
                align.motion,
                n_threads=self.n_threads,
            )
            transforms = [at_level(t, small, self.shape) for t in refined]
        self.transforms = [t / t[2, 2] for t in transforms]
        self.gains = self._settle_light(align)
        self.clock.lap("align")
        facts = self.survey.facts(to_master=np.asarray(from_first, np.float64))
        del self.survey
        reading = read_facts(facts, self.source.infos)
        self.blur_px = blur_per_frame(reading)
        found = inspect_reading(reading)
        self.unused, said = keep_out(
            found,
            find_specks(facts) if any(f.code == "dust" for f in found) else (),
            [u.number for u in self.used],
            maps,
        )
        self.findings = list(worst_first((*self.findings, *said)))
        # Edges of dust and of what is cut off at white are sharp, but say nothing of the
        # scene's depth.
        n_settled = settle_glints(maps, self.white)
        if len(self.unused.specks):
            places = on_specks(
                self.unused.specks, self.transforms, half_shape(self.shape)
            )
            maps = carried_over(maps, places)
        if n_settled or len(self.unused.specks):
            self.maps = self.passes.uploaded(maps)
        self.clock.lap("measure")

    def _focus_maps(self, base: _Used) -> FocusMaps:
        """Finish the peaks and bring them to the grid of the reference."""
        peaks = self.peaks.finish(self.passes.noise_at(self.floor, self.seen.luma))
        del self.peaks
        self.passes.first_pass_is_over()
        to_grid = self._to_grid() @ base.to_first
        matrix = np.linalg.inv(HALF_TO_FULL) @ to_grid @ HALF_TO_FULL
        shape = half_shape(self.shape)
        # Smoothed only now: what lies beyond the reference must not speak within it.
        index, height = self.passes.warped(peaks, matrix, shape)
        self.white = self.passes.white_at(self.seen.is_white, matrix, shape)
        del self.seen
        maps = self.passes.focus_maps(index, height, len(self.used))
        self.passes.first_pass_is_over()
        return maps

    def _choose_reference(self, align: AlignSettings) -> int:
        """Place of the reference in the list of used frames."""
        wanted = align.reference
        n = len(self.used)
        if wanted == "auto":
            # Narrowest field: its pixels are the smallest in every other frame.
            scales = [field_scale(u.to_first) for u in self.used]
            return int(np.argmin(scales))
        if wanted in ("first", "middle", "last"):
            return {"first": 0, "middle": n // 2, "last": n - 1}[str(wanted)]
        numbers = [u.number for u in self.used]
        if wanted not in numbers:
            reason = self.left_out[int(wanted)][1]
            msg = f"the reference was left out: {reason}: choose another --reference"
            raise AlignmentError(msg, frame_index=int(wanted))
        return numbers.index(int(wanted))

    def _settle_light(self, align: AlignSettings) -> list[np.ndarray]:
        """Gain of each used frame relative to the reference, measured directly."""
        base = self.used[self.reference]
        out = []
        for used, transform in zip(self.used, self.transforms, strict=True):
            if used is base or not align.normalise_light:
                out.append(np.ones(self.channels))
                continue
            direct = measure_gain(base.reduced, used.reduced, transform, self.shape)
            chained = used.gain / base.gain
            out.append(direct.ratio if direct.n_blocks else chained)
        return out

    # Second pass --------------------------------------------------------------

    def second_pass(self) -> FusionResult:
        """Add each frame to the picture where it has weight."""
        fusion = self.passes.fusion(
            (*self.shape, self.channels),
            self.maps,
            self.transforms,
            self.reference,
            self.unused,
        )
        bands = fusion.bands(self.plan.n_bands)
        for n_done, (first, end) in enumerate(bands):
            fusion.begin(first, end)
            needed = [(k, fusion.window(k)) for k in range(len(self.used))]
            jobs = [(k, box) for k, box in needed if box is not None]
            boxes = [box for _, box in jobs] if len(bands) > 1 else None
            frames = self._frames([self.used[k].number for k, _ in jobs], boxes)
            for (k, box), raw in zip(jobs, frames, strict=True):
                curves = normalising_table(self.table, self.gains[k])
                fusion.add(raw, box.row if boxes else 0, curves, k)
                self.clock.lap("fuse")
                self.on_event(
                    Event(
                        stage="fuse",
                        done=n_done * self.n + self.used[k].number,
                        total=len(bands) * self.n,
                        message=self.source.infos[self.used[k].number].name,
                    )
                )
            fusion.end()
        total = len(bands) * self.n
        self.on_event(Event(stage="fuse", done=total, total=total))
        numbers = [u.number for u in self.used]
        index = self.passes.depth_for_display(self.maps)
        done = fusion.finish(index, numbers, self.n, self.blur_px)
        # In parts: counted are copies in 64 bits.
        counts = [np.bincount(row, minlength=self.n) for row in done.coverage]
        shares = np.sum(counts, axis=0) / done.coverage.size
        self.clock.lap("fuse")
        self.clock.seconds["total"] = time.perf_counter() - self.started
        return FusionResult(
            picture=done.picture,
            depth=done.depth,
            confidence=done.confidence,
            coverage=done.coverage,
            reference=self.used[self.reference].number,
            frames=self._records(shares),
            findings=tuple(self.findings),
            timings_s=dict(self.clock.seconds),
            notes={
                "noise": {
                    "read": self.floor.read,
                    "shot": self.floor.shot,
                    "constant": self.floor.constant,
                }
            },
        )

    def _records(self, shares: npt.NDArray[np.float64]) -> tuple[FrameRecord, ...]:
        by_number = {u.number: k for k, u in enumerate(self.used)}
        records = []
        for number in range(self.n):
            notes = self.source.infos[number].notes
            if number in by_number:
                k = by_number[number]
                records.append(
                    FrameRecord(
                        transform=self.transforms[k],
                        correlation=self.used[k].correlation,
                        gain_ev=tuple(float(-np.log2(g)) for g in self.gains[k]),
                        share=float(shares[number]),
                        warnings=notes,
                    )
                )
            else:
                correlation, reason = self.left_out[number]
                records.append(
                    FrameRecord(
                        transform=np.eye(3),
                        correlation=correlation,
                        gain_ev=(0.0,) * self.channels,
                        share=0.0,
                        used=False,
                        warnings=(*notes, reason),
                    )
                )
        return tuple(records)
