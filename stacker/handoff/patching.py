"""A place done again with another frame, in the finished files; and taken back.

`patch` changes the master within a region, keeps what was there in ``NAME.patch-1.tif``
(region, pixels before, coverage before), and brings coverage map, report and page up to
date. `undo_patch` takes the last one back, to the bit. `saved_patches` and
`apply_patches` lay the patches of one fusion over another.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from os import PathLike
from pathlib import Path

import numpy as np
import numpy.typing as npt
import tifffile

from stacker.errors import FrameReadError, InputError, OutputError
from stacker.events import Event, OnEvent, ignore_event
from stacker.files import Results, read_metadata
from stacker.files.boundary import reading
from stacker.frame import Box, Pixels
from stacker.handoff.blend import blended, reach_px
from stacker.handoff.history import edit_now
from stacker.handoff.opened import OpenedResult, as_16_bit, open_result
from stacker.handoff.regions import Region, region_of_mask, region_of_text
from stacker.handoff.renewed import renew_report
from stacker.report.record import Record
from stacker.settings import OutputSettings, PatchSettings

__all__ = ["PatchJob", "apply_patches", "patch", "saved_patches", "undo_patch"]

_MASK, _BEFORE, _COVERAGE = 0, 1, 2  # pages of a patch's file
_INSIDE = 128  # of 255: from here on a pixel counts as the patch's frame


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchJob:
    """One patch to be made.

    Attributes
    ----------
    frame : int
        Number of the frame to be laid over the master.
    region : Region
        Where.
    settings : PatchSettings
        How wide it changes over.
    """

    frame: int
    region: Region
    settings: PatchSettings


def patch(
    result: str | PathLike[str],
    *,
    frame: int,
    region: str | PathLike[str] | Box | npt.NDArray[np.uint8],
    settings: PatchSettings | None = None,
    frames_in: str | PathLike[str] | None = None,
    on_event: OnEvent = ignore_event,
) -> Record:
    """Blend one frame's pixels into the master within a region.

    Parameters
    ----------
    result : path
        The master or its report.
    frame : int
        0-based number of the frame.
    region : str, path, Box or array
        "x,y,width,height"; a mask picture or a GeoJSON file of polygons; a box; or an
        (H, W) uint8 array of the master's size, 255 inside.
    settings : PatchSettings, optional
        Defaults where left out.
    frames_in : path, optional
        Folder in which the frames lie, where they have been moved.
    on_event : callable
        Receives progress. It may raise to stop the work.

    Returns
    -------
    dict
        The record after the patch, as in ``NAME.report.json``.

    Raises
    ------
    InputError
        No such frame, a region that is none, or one that the frame does not show.
    FrameReadError
        The result or the frame's file cannot be read.
    OutputError
        The files cannot be written; then nothing is changed.

    Notes
    -----
    Farther than the transition from the region every pixel stays as it is, bit for bit.
    Depth and confidence maps stay: they tell of the subject, not of the picture.
    """
    opened = open_result(result, frames_in=frames_in)
    if isinstance(region, Box):
        box = region
        region = f"{box.column},{box.row},{box.width},{box.height}"
    if isinstance(region, np.ndarray):
        if region.shape != opened.shape or region.dtype != np.uint8:
            msg = f"the mask is {region.dtype} {region.shape}: expected uint8 {opened.shape}"
            raise InputError(msg)
        place = region_of_mask(region)
    else:
        place = region_of_text(region, opened.shape)
    job = PatchJob(frame=frame, region=place, settings=settings or PatchSettings())
    return apply_patches(opened, [job], on_event=on_event)


def apply_patches(
    opened: OpenedResult, jobs: Sequence[PatchJob], *, on_event: OnEvent = ignore_event
) -> Record:
    """Lay patches over a master, one after the other, and write it once.

    Parameters
    ----------
    opened : OpenedResult
        Not to be used afterwards: open the result again.
    jobs : sequence of PatchJob
        In this order.
    on_event : callable
        Receives progress.

    Returns
    -------
    dict
        The record after the patches.

    Raises
    ------
    InputError, FrameReadError, OutputError
        As `patch`.
    """
    with _Change(opened) as change:
        for done, job in enumerate(jobs, start=1):
            change.lay(job)
            on_event(Event(stage="fuse", done=done, total=len(jobs)))
        frames = ", ".join(str(job.frame) for job in jobs)
        return change.commit(f"patched from frame {frames}", on_event)


def undo_patch(
    result: str | PathLike[str],
    *,
    frames_in: str | PathLike[str] | None = None,
    on_event: OnEvent = ignore_event,
) -> Record:
    """Take the last patch back: the pixels that were there before return.

    Parameters
    ----------
    result : path
        The master or its report.
    frames_in : path, optional
        Folder in which the frames lie, where they have been moved.
    on_event : callable
        Receives progress.

    Returns
    -------
    dict
        The record afterwards.

    Raises
    ------
    InputError
        There is no patch to take back.
    OutputError
        The master has been changed there since, or the files cannot be written.
    """
    opened = open_result(result, frames_in=frames_in)
    patches = opened.record.get("patches", [])
    if not patches:
        msg = f"{opened.master_path}: has no patch that could be taken back"
        raise InputError(msg)
    last = patches[-1]
    with _Change(opened) as change:
        change.take_back(last)
        words = f"patch from frame {last['frame']} taken back"
        record = change.commit(words, on_event)
    (opened.folder / last["file"]).unlink(missing_ok=True)
    return record


def saved_patches(opened: OpenedResult) -> list[PatchJob]:
    """Read the patches of a result, to be laid over another fusion of its frames.

    Raises
    ------
    FrameReadError
        A patch's file is not beside the report any more.
    """
    return [
        PatchJob(
            frame=entry["frame"],
            region=Region(
                box=Box(**entry["region"]),
                mask=_page(opened.folder / entry["file"], _MASK),
            ),
            settings=PatchSettings(transition_px=entry["transition_px"]),
        )
        for entry in opened.record.get("patches", [])
    ]


class _Change:
    """A master and its coverage in memory, changed, and written with their report."""

    def __init__(self, opened: OpenedResult) -> None:
        if opened.master_path.suffix.lower() == ".jxl":
            msg = (
                f"{opened.master_path}: JPEG XL masters cannot be patched, fuse to .tif"
            )
            raise InputError(msg)
        self.opened = opened
        self.picture = opened.picture()
        self.coverage = opened.coverage()
        self.patches = list(opened.record.get("patches", []))
        written = opened.output_settings()
        self.settings = OutputSettings(
            compression=written.compression,
            bits=self.picture.dtype.itemsize * 8,
            tiles=written.tiles,
            preview=written.preview,
            page_tiles=written.page_tiles,
            overwrite=True,
        )
        self.results = Results(
            opened.master_path, settings=self.settings, inputs=opened.frame_paths
        )

    def lay(self, job: PatchJob) -> None:
        """Blend one frame in and keep what was there."""
        opened, region = self.opened, job.region
        n_levels = int(np.log2(job.settings.transition_px / 4 + 1))
        window = _grown(region.box, reach_px(n_levels), opened.shape)
        above = opened.aligned_frame(job.frame, window)
        _check_shown(opened, job.frame, region.box)
        if self.picture.dtype == np.uint8:
            above = ((above.astype(np.uint32) + 128) // 257).astype(np.uint8)
        mask = np.zeros((window.height, window.width), np.uint8)
        mask[_part(_within(region.box, window))] = region.mask
        part = _part(window)
        before, labels = self.picture[part].copy(), self.coverage[part].copy()
        self.picture[part] = blended(before, above, mask, n_levels)
        self.coverage[part][mask >= _INSIDE] = job.frame
        number = len(self.patches) + 1
        suffix = f".patch-{number}.tif"
        with self.results.writing(suffix) as path:
            _write_pages(path, (region.mask, before, labels))
        self.patches.append(
            {
                "number": number,
                "frame": job.frame,
                "region": asdict(region.box),
                "window": asdict(window),
                "transition_px": job.settings.transition_px,
                "file": self.results.path(suffix).name,
                "sha256_after": _digest(self.picture[part]),
            }
        )

    def take_back(self, entry: Record) -> None:
        """Put back what a patch has replaced."""
        part = _part(Box(**entry["window"]))
        if _digest(self.picture[part]) != entry["sha256_after"]:
            msg = (
                f"{self.opened.master_path}: has been changed since the patch, at the "
                "same place; taking it back would lose that"
            )
            raise OutputError(msg)
        path = self.opened.folder / entry["file"]
        self.picture[part] = _page(path, _BEFORE)
        self.coverage[part] = _page(path, _COVERAGE)
        self.patches.pop()

    def commit(self, words: str, on_event: OnEvent) -> Record:
        """Write master, coverage, report and page; all of them, or none."""
        opened, results = self.opened, self.results
        metadata = read_metadata(opened.master_path)
        edit = edit_now(words, opened.record["settings_digest"])
        results.write_master(as_16_bit(self.picture), metadata, edit)
        results.write_coverage(self.coverage)
        on_event(Event(stage="write", done=1, total=2))
        changed = {
            "patches": self.patches,
            "changed": edit.when.isoformat("T", "seconds"),
        }
        record = renew_report(
            opened,
            results,
            self.settings,
            picture=self.picture,
            coverage=self.coverage,
            changed=changed,
        )
        results.commit()
        on_event(Event(stage="write", done=2, total=2))
        return record

    def __enter__(self) -> "_Change":
        return self

    def __exit__(self, *error: object) -> None:
        self.results.discard()


def _grown(box: Box, by_px: int, shape: tuple[int, int]) -> Box:
    top, left = max(box.row - by_px, 0), max(box.column - by_px, 0)
    bottom = min(box.row + box.height + by_px, shape[0])
    right = min(box.column + box.width + by_px, shape[1])
    return Box(row=top, column=left, height=bottom - top, width=right - left)


def _within(inner: Box, outer: Box) -> Box:
    """Say where `inner` lies in `outer`."""
    return Box(
        row=inner.row - outer.row,
        column=inner.column - outer.column,
        height=inner.height,
        width=inner.width,
    )


def _part(box: Box) -> tuple[slice, slice]:
    return (
        slice(box.row, box.row + box.height),
        slice(box.column, box.column + box.width),
    )


def _check_shown(opened: OpenedResult, frame: int, box: Box) -> None:
    """Refuse a region of which the frame does not show every corner."""
    right, bottom = box.column + box.width - 1, box.row + box.height - 1
    x = np.array([box.column, right, box.column, right], dtype=float)
    y = np.array([box.row, box.row, bottom, bottom], dtype=float)
    to_raw = np.linalg.inv(opened.frame_records()[frame].transform)
    places = to_raw @ np.stack([x, y, np.ones(4)])
    x, y = places[:2] / places[2]
    height, width = opened.shape
    # Half a pixel beyond its middle a frame's outermost pixel still reaches.
    if (
        x.min() < -0.5
        or y.min() < -0.5
        or x.max() > width - 0.5
        or y.max() > height - 0.5
    ):
        msg = f"frame {frame} does not show all of the region: choose another, or less"
        raise InputError(msg)


def _write_pages(path: Path, pages: Sequence[Pixels]) -> None:
    """Write the parts of a patch as pages, lossless."""
    with tifffile.TiffWriter(
        path, bigtiff=sum(p.nbytes for p in pages) > 1 << 31
    ) as file:
        for page in pages:
            file.write(
                page,
                photometric="rgb" if page.ndim == 3 else "minisblack",
                compression="zlib",
                compressionargs={"level": 1},
                predictor=True,
                metadata=None,
                software=False,
            )


def _page(path: Path, number: int) -> npt.NDArray[np.uint8]:
    with reading(path), tifffile.TiffFile(path) as file:
        if len(file.pages) <= _COVERAGE:
            raise FrameReadError(path, "is no file of a patch")
        return np.asarray(file.pages[number].asarray())


def _digest(pixels: Pixels) -> str:
    return hashlib.sha256(np.ascontiguousarray(pixels).tobytes()).hexdigest()
