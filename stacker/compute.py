"""The stages in order, over frames from anywhere: no file is opened here.

First pass, one frame at a time: register to the neighbour, measure light and sharpness,
keep the running peak. Then, on the small copies: choose the reference, refine the
registration, settle the light. Second pass, again one frame at a time: resample where
the frame has weight and add it to the picture.
"""

import os
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from stacker import _opencv
from stacker.align import reduce_frame
from stacker.chain import Chain, UsedFrame
from stacker.depth import FocusMaps, carried_over
from stacker.errors import BracketError, InputError
from stacker.events import Event, OnEvent, ignore_event
from stacker.frame import (
    ArraySource,
    Box,
    Finding,
    FrameSource,
    FusionResult,
    ImageF32,
    Matrix3x3,
    Pixels,
    TransferTable,
)
from stacker.geometry import HALF_TO_FULL, half_shape
from stacker.glints import settle_glints
from stacker.inspection import (
    Speck,
    blur_per_frame,
    find_specks,
    inspect_reading,
    read_facts,
    worst_first,
)
from stacker.light import (
    check_transfer,
    normalising_table,
    slope_of_light,
    srgb_transfer,
)
from stacker.memory import plan_memory
from stacker.passes import HostPasses
from stacker.prefetch import Prefetch
from stacker.settings import FuseSettings
from stacker.sharpness import NoiseFloor, NoiseModel
from stacker.survey import FrameFacts, Survey
from stacker.unused import keep_out, on_specks

if TYPE_CHECKING:
    from stacker.arrays.passes import ArrayPasses

__all__ = ["fuse_frames", "fuse_source"]

# Grid of the first pass beyond frame 0, for references that see more than it.
MARGIN_FRAC = 0.08


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
    with run.passes.errors(), run.supply, run.beside:
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
        self.chain = Chain(infos, settings, self.n_threads)
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
        self.beside = ThreadPoolExecutor(1, thread_name_prefix="survey")
        self.surveying: Future[FrameFacts] | None = None

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
        frames = self._frames(range(self.n))
        # Neither enumerate nor zip: they hold the frame before while the next is read.
        for number in range(self.n):
            raw = next(frames)
            energy, luma = self.passes.laplacian_energy(raw)
            self.clock.lap("measure")
            small = self.passes.for_registration(luma, self.shape)
            reduced = reduce_frame(raw, small, self.table, n_threads=self.n_threads)
            frame = self.chain.add(number, reduced)
            self.clock.lap("align")
            if frame is not None:
                self._measure(energy, luma, frame)
                self._survey(raw, frame)
                frame.reduced = frame.reduced.put_by()
                self.clock.lap("measure")
            del raw
            name = self.source.infos[number].name
            self.on_event(
                Event(stage="measure", done=number + 1, total=self.n, message=name)
            )
        self.chain.close()
        if self.surveying is not None:
            self.surveying.result()

    def _measure(self, energy: ImageF32, luma: ImageF32, frame: UsedFrame) -> None:
        self.noise.add(self.passes.for_noise(energy), self.passes.for_noise(luma))
        slope = slope_of_light(self.table, frame.gain)
        to_grid = self._to_grid() @ frame.to_first
        to_frame = np.linalg.inv(HALF_TO_FULL) @ np.linalg.inv(to_grid) @ HALF_TO_FULL
        energy, luma = self.passes.taken_in(energy, luma, slope, to_frame, self.seen)
        self.peaks.add(energy, luma)

    def _survey(self, raw: Pixels, frame: UsedFrame) -> None:
        """Let the survey look at a frame; it goes on beside the next one's work."""
        if self.surveying is not None:
            self.surveying.result()
        self.surveying = self.beside.submit(
            self.survey.take,
            frame.number,
            self.survey.look(raw, frame.to_first),
            frame.reduced,
            frame.to_first,
            frame.gain,
            frame.correlation,
        )

    def _to_grid(self) -> Matrix3x3:
        """Frame 0 to the grid of the first pass."""
        shift = np.eye(3)
        shift[:2, 2] = self.pad[1], self.pad[0]
        return shift

    # Between the passes -------------------------------------------------------

    def settle(self) -> None:
        """Choose the reference, refine the registration, settle the light."""
        self.supply.rest()
        self.floor: NoiseFloor = self.noise.finish(self.table)
        self.reference = self.chain.choose_reference()
        base = self.chain.used[self.reference]
        inspecting = self.beside.submit(self._inspect, base)
        self.maps = self._focus_maps(base)
        maps = self.passes.downloaded(self.maps)
        self.transforms = self.chain.to_reference(self.reference, maps)
        self.gains = self.chain.gains(self.reference, self.transforms)
        self.clock.lap("align")
        found, specks, self.blur_px = inspecting.result()
        self.unused, said = keep_out(
            found,
            specks,
            [u.number for u in self.chain.used],
            maps,
        )
        self.findings = list(worst_first((*self.chain.findings, *said)))
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

    def _inspect(
        self, base: UsedFrame
    ) -> tuple[Sequence[Finding], Sequence[Speck], float]:
        """Judge the bracket: findings, dust, growth of blur per frame."""
        to_master = np.asarray(np.linalg.inv(base.to_first), np.float64)
        facts = self.survey.facts(to_master=to_master)
        del self.survey
        reading = read_facts(facts, self.source.infos)
        found = inspect_reading(reading)
        is_dusty = any(f.code == "dust" for f in found)
        specks = find_specks(facts) if is_dusty else ()
        return found, specks, blur_per_frame(reading)

    def _focus_maps(self, base: UsedFrame) -> FocusMaps:
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
        maps = self.passes.focus_maps(index, height, len(self.chain.used))
        self.passes.first_pass_is_over()
        return maps

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
        used = self.chain.used
        bands = fusion.bands(self.plan.n_bands)
        for n_done, (first, end) in enumerate(bands):
            fusion.begin(first, end)
            needed = [(k, fusion.window(k)) for k in range(len(used))]
            jobs = [(k, box) for k, box in needed if box is not None]
            boxes = [box for _, box in jobs] if len(bands) > 1 else None
            frames = self._frames([used[k].number for k, _ in jobs], boxes)
            for k, box in jobs:
                raw = next(frames)
                curves = normalising_table(self.table, self.gains[k])
                fusion.add(raw, box.row if boxes else 0, curves, k)
                del raw
                self.clock.lap("fuse")
                self.on_event(
                    Event(
                        stage="fuse",
                        done=n_done * self.n + used[k].number,
                        total=len(bands) * self.n,
                        message=self.source.infos[used[k].number].name,
                    )
                )
            fusion.end()
        self.supply.rest()
        total = len(bands) * self.n
        self.on_event(Event(stage="fuse", done=total, total=total))
        numbers = [u.number for u in used]
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
            reference=used[self.reference].number,
            frames=self.chain.records(self.transforms, self.gains, shares),
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
