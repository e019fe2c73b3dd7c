"""Files in, files out: the only room that sees both files and computing.

`fuse_bracket` finds and checks the frames, refuses what can be refused before the work,
fuses, and writes everything together at the end.
"""

import contextlib
import hashlib
import json
import platform
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from stacker.compute import fuse_source
from stacker.coverage import coverage_cells
from stacker.events import Event, OnEvent, ignore_event
from stacker.files import (
    FileSource,
    Merge,
    Metadata,
    Results,
    Transfer,
    find_frames,
    transfer_table,
)
from stacker.frame import Finding, FrameInfo, FusionResult, Severity
from stacker.report.bystander import Bystander, detail_by_tile, sharpness_gain
from stacker.report.distances import given_distances
from stacker.report.extras import EXTRA_SUFFIXES, write_extras
from stacker.report.images import embedded_frames, page_images, srgb_preview
from stacker.report.page import render_page
from stacker.report.places import worst_places
from stacker.report.record import FusionFacts, Record, build_record, record_json
from stacker.resample import AlignedFrames
from stacker.settings import FuseSettings, OutputSettings, ReadSettings

__all__ = ["FusionReport", "fuse_bracket"]

LIBRARIES = ("numpy", "opencv-python-headless", "numba", "tifffile", "imagecodecs")
"""What the pixels of a result depend on, besides this package."""

SUFFIXES = {
    "depth": ".depth.tif",
    "confidence": ".confidence.tif",
    "coverage": ".coverage.tif",
    "report_json": ".report.json",
    "report_html": ".report.html",
}
DIGEST_CHARS = 12
"""Of the settings' SHA-256: enough to tell settings apart, short enough to read."""

_WORST_FIRST: tuple[Severity, ...] = ("reshoot", "look", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class FusionReport:
    """What a finished fusion of files leaves in the hands of a script.

    Attributes
    ----------
    record : dict
        What ``NAME.report.json`` holds.
    findings : tuple of Finding
        What a person should know, worst first.
    files : tuple of Path
        The files written.
    preview : (h, w, 3) uint8 array or None
        The master in sRGB, at most 2048 px wide and high.
    """

    record: Record = field(repr=False)
    findings: tuple[Finding, ...]
    files: tuple[Path, ...]
    preview: npt.NDArray[np.uint8] | None = field(
        default=None, repr=False, compare=False
    )

    @property
    def needs_a_look(self) -> bool:
        """True where a person should look at the result, or shoot again."""
        return any(finding.severity != "note" for finding in self.findings)


def fuse_bracket(
    inputs: Sequence[str | PathLike[str]],
    output: str | PathLike[str],
    settings: FuseSettings | None = None,
    *,
    read: ReadSettings | None = None,
    outputs: OutputSettings | None = None,
    on_event: OnEvent = ignore_event,
) -> FusionReport:
    """Fuse the frames of a bracket in files into a master with maps and a report.

    Parameters
    ----------
    inputs : sequence of paths
        A folder, a pattern, or the files in depth order (either direction).
    output : path
        DIR/NAME.tif. Written are NAME.tif, NAME.depth.tif, NAME.confidence.tif,
        NAME.coverage.tif, NAME.report.json and NAME.report.html: all of them, or none.
    settings, read, outputs : settings objects, optional
        How to fuse, read and write; defaults where left out.
    on_event : callable
        Receives progress. It may raise to stop the work.

    Returns
    -------
    FusionReport

    Raises
    ------
    FrameReadError, BracketError
        Files that cannot be read, or do not make one bracket.
    OutputError, OutputExistsError
        Results that cannot be written, or are there already.
    AlignmentError
        No two frames can be registered; with `FuseSettings.strict`, any cannot.

    Notes
    -----
    Everything that can be refused is refused before the first frame is decoded. An
    exception or interrupt, whenever it comes, leaves no file behind.
    """
    started_s = time.perf_counter()
    settings = settings or FuseSettings()
    read = read or ReadSettings()
    outputs = outputs or OutputSettings()
    all_settings = {
        **settings.to_dict(),
        "read": asdict(read),
        "output": asdict(outputs),
    }
    paths = find_frames(inputs, order=read.order)
    source = FileSource(paths, read, threads=settings.threads, is_mapped=True)
    icc_profile = source.infos[0].icc_profile
    transfer = transfer_table(icc_profile, source.infos[0].n_channels)
    bystander = Bystander(source, paths if outputs.checksums else None)
    with (
        contextlib.closing(bystander),
        Results(
            output, settings=outputs, inputs=paths, threads=settings.threads
        ) as results,
        _writer() as writer,
    ):
        result = fuse_source(
            bystander, settings, transfer=transfer.table, on_event=on_event
        )
        merge = _merge(source.infos, result, all_settings)
        metadata = source.metadata(result.reference)
        # The page is made meanwhile.
        writing = _begin_to_write(writer, results, result, metadata, merge)
        preview = srgb_preview(result.picture, icc_profile)
        findings = _worst_first((*result.findings, *_notes(source.infos, transfer)))
        places = worst_places(result, findings)
        aligned = AlignedFrames(
            source, result.frames, transfer.table, n_threads=settings.threads or 1
        )
        images = page_images(
            result,
            preview,
            frames=embedded_frames(bystander.small, aligned, icc_profile),
            places=places,
            aligned=aligned.window,
            icc_profile=icc_profile,
        )
        source.rest()  # the page's crops were read, too
        encode_s = _written(writing, on_event)
        record = build_record(
            FusionFacts(
                version=_version("stacker"),
                created=merge.when,
                infos=source.infos,
                frames=result.frames,
                reference=result.reference,
                cells=coverage_cells(result.coverage, len(paths)),
                findings=findings,
                settings=all_settings,
                settings_digest=merge.settings_digest,
                outputs=_names(results, outputs),
                timings_s={
                    **result.timings_s,
                    "encode": encode_s,
                    "total": time.perf_counter() - started_s,
                },
                size=result.depth.shape,
                mean_confidence=float(result.confidence.mean()) / 255,
                peak_memory_bytes=_peak_memory_bytes(),
                environment=_environment(),
                notes=result.notes,
                places=places,
                sharpness=sharpness_gain(
                    bystander.detail, detail_by_tile(result.picture), len(paths)
                ),
                checksums=bystander.checksums(),
                distances_mm=given_distances(outputs, len(paths)),
            )
        )
        write_extras(results, result, preview, icc_profile, outputs, record)
        results.write_text(SUFFIXES["report_json"], record_json(record))
        results.write_text(SUFFIXES["report_html"], render_page(record, images))
        on_event(Event(stage="report", done=1, total=1))
        files = results.commit()
    return FusionReport(
        record=record, findings=findings, files=tuple(files), preview=preview
    )


@contextlib.contextmanager
def _writer() -> Iterator[ThreadPoolExecutor]:
    """Give a thread to write files in; what has not begun at the end is not written."""
    pool = ThreadPoolExecutor(1, thread_name_prefix="write")
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def _begin_to_write(
    writer: ThreadPoolExecutor,
    results: Results,
    result: FusionResult,
    metadata: Metadata,
    merge: Merge,
) -> list[tuple[str, Future[float]]]:
    """Have the pictures written: name of each, and the seconds that it takes."""

    def timed(write: Callable[[], None]) -> float:
        started_s = time.perf_counter()
        write()
        return time.perf_counter() - started_s

    steps: tuple[tuple[str, Callable[[], None]], ...] = (
        ("master", lambda: results.write_master(result.picture, metadata, merge)),
        ("depth", lambda: results.write_depth(result.depth)),
        ("confidence", lambda: results.write_confidence(result.confidence)),
        ("coverage", lambda: results.write_coverage(result.coverage)),
    )
    return [(name, writer.submit(timed, write)) for name, write in steps]


def _written(writing: list[tuple[str, Future[float]]], on_event: OnEvent) -> float:
    """Wait until the pictures are written; tell the seconds that it took."""
    seconds = 0.0
    for done, (name, future) in enumerate(writing, start=1):
        seconds += future.result()
        on_event(Event(stage="write", done=done, total=len(writing), message=name))
    return seconds


def _merge(
    infos: Sequence[FrameInfo], result: FusionResult, settings: Mapping[str, Any]
) -> Merge:
    """Describe the fusion for the master's own history."""
    used = [
        info.name
        for info, frame in zip(infos, result.frames, strict=True)
        if frame.used
    ]
    canonical = json.dumps(settings, sort_keys=True).encode("utf-8")
    return Merge(
        frames=tuple(used),
        software=f"stacker {_version('stacker')}",
        settings_digest=hashlib.sha256(canonical).hexdigest()[:DIGEST_CHARS],
        when=datetime.now().astimezone(),
    )


def _names(results: Results, outputs: OutputSettings) -> dict[str, str]:
    """Map each kind of file to its name, as given."""
    extras = {k: v for k, v in EXTRA_SUFFIXES.items() if getattr(outputs, k)}
    suffixes = SUFFIXES | extras
    names = {kind: str(results.path(suffix)) for kind, suffix in suffixes.items()}
    return {"master": str(results.master), **names}


def _notes(infos: Sequence[FrameInfo], transfer: Transfer) -> list[Finding]:
    """Say what reading left out or assumed, once per kind."""
    frames_by_note: dict[str, list[int]] = {}
    for k, info in enumerate(infos):
        for note in info.notes:
            frames_by_note.setdefault(note, []).append(k)
    findings = [
        Finding(
            code="reading_note",
            message=f"{note[:1].upper()}{note[1:]}.",
            severity="note",
            frames=tuple(frames),
        )
        for note, frames in frames_by_note.items()
    ]
    if transfer.note:
        message = f"{transfer.note[:1].upper()}{transfer.note[1:]}."
        findings.append(Finding(code="profile_note", message=message, severity="note"))
    return findings


def _worst_first(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(findings, key=lambda f: _WORST_FIRST.index(f.severity)))


def _environment() -> dict[str, str]:
    return {
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        **{name: _version(name) for name in LIBRARIES},
    }


def _version(distribution: str) -> str:
    try:
        return version(distribution)
    except PackageNotFoundError:  # run from a source folder
        return "unknown"


def _peak_memory_bytes() -> int | None:
    """Peak resident memory of this process; None where the system does not tell."""
    with contextlib.suppress(OSError, ValueError):
        # Linux: unlike getrusage's, this figure does not include the parent's memory
        # of the time before exec.
        for line in Path("/proc/self/status").read_text("ascii").splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024
    if sys.platform == "win32":
        return None
    import resource  # noqa: PLC0415  # absent on Windows

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024
