"""A picture made again from its report: the same frames, the same settings.

Files are held against the checksums in the report, so that it is the same picture, and
patches that were made are laid over the new one in their order.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from os import PathLike
from pathlib import Path
from typing import Any

from stacker.errors import FrameReadError
from stacker.events import OnEvent, ignore_event
from stacker.files.boundary import reading
from stacker.handoff.opened import OpenedResult, open_result
from stacker.handoff.patching import apply_patches, saved_patches
from stacker.pipeline import FusionReport, fuse_bracket
from stacker.settings import FuseSettings, OutputSettings, ReadSettings

__all__ = ["Recipe", "fuse_from_report", "recipe_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """The settings that a result was made with.

    Attributes
    ----------
    settings, read, outputs : settings objects
        As for `fuse_bracket`; settings that this version does not know are left out.
    """

    settings: FuseSettings
    read: ReadSettings
    outputs: OutputSettings


def recipe_of(report: str | PathLike[str]) -> Recipe:
    """Read the settings of a result.

    Parameters
    ----------
    report : path
        NAME.report.json, or the master.

    Raises
    ------
    FrameReadError
        It is no report of ours.
    InputError
        A setting has a value that cannot be used.
    """
    used = open_result(report).record["settings"]
    groups = {"read": ReadSettings, "output": OutputSettings}
    others = {k: v for k, v in used.items() if k not in groups}
    return Recipe(
        settings=FuseSettings.from_dict(others),
        read=ReadSettings(**_known(ReadSettings, used.get("read", {}))),
        outputs=OutputSettings(**_known(OutputSettings, used.get("output", {}))),
    )


def _known(kind: type, values: Mapping[str, Any]) -> dict[str, Any]:
    names = {f.name for f in fields(kind)}
    return {k: v for k, v in values.items() if k in names}


def fuse_from_report(
    report: str | PathLike[str],
    output: str | PathLike[str],
    recipe: Recipe | None = None,
    *,
    frames_in: str | PathLike[str] | None = None,
    on_event: OnEvent = ignore_event,
) -> FusionReport:
    """Fuse the frames of a report again.

    Parameters
    ----------
    report : path
        NAME.report.json, or the master.
    output : path
        DIR/NAME.tif of the new result; the old one's name only with
        `OutputSettings.overwrite`.
    recipe : Recipe, optional
        Other settings than those of the report.
    frames_in : path, optional
        Folder in which the frames lie, where they have been moved.
    on_event : callable
        Receives progress.

    Returns
    -------
    FusionReport
        Of the new fusion; its record includes the patches.

    Raises
    ------
    FrameReadError
        A frame is not there any more, or is not the one that was fused.
    StackerError
        As `fuse_bracket` and `apply_patches`.
    """
    old = open_result(report, frames_in=frames_in)
    recipe = recipe or recipe_of(report)
    _check_frames(old)
    jobs = saved_patches(old)
    fused = fuse_bracket(
        old.frame_paths,
        output,
        recipe.settings,
        read=recipe.read,
        outputs=recipe.outputs,
        on_event=on_event,
    )
    if not jobs:
        return fused
    new = open_result(output, frames_in=frames_in)
    record = apply_patches(new, jobs, on_event=on_event)
    patches = [new.folder / entry["file"] for entry in record["patches"]]
    return FusionReport(
        record=record, findings=fused.findings, files=(*fused.files, *patches)
    )


def _check_frames(old: OpenedResult) -> None:
    """Hold the files against the report's checksums, where it has them."""
    entries = old.record["inputs"]["frames"]
    for path, entry in zip(old.frame_paths, entries, strict=True):
        expected = entry.get("sha256")
        if expected is not None and _sha256(path) != expected:
            raise FrameReadError(
                path, "is not the file that was fused: its checksum differs"
            )


def _sha256(path: Path) -> str:
    with reading(path), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
