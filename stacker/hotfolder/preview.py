"""What a watch would do with what lies in a folder now: nothing is written or fused."""

from dataclasses import dataclass
from pathlib import Path

from stacker.hotfolder.names import NAME_FIELDS, check_template, result_name
from stacker.hotfolder.observed import Candidate
from stacker.hotfolder.scan import look_into, scan
from stacker.hotfolder.tracker import Tracker
from stacker.settings import GroupSettings, ReadSettings, WatchSettings

__all__ = ["FolderPreview", "Proposal", "preview_folder"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A bracket as it would be made.

    Attributes
    ----------
    name : str
        Of its result.
    candidate : Candidate
        Its frames, each with its reason.
    """

    name: str
    candidate: Candidate


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderPreview:
    """What lies in a folder.

    Attributes
    ----------
    proposals : tuple of Proposal
        The brackets.
    lacking : tuple of str
        Files that are not whole, with what they lack.
    unknown : tuple of str
        Folders that cannot be read.
    """

    proposals: tuple[Proposal, ...]
    lacking: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()


def preview_folder(
    folder: Path,
    *,
    skipped: str | None,
    watch: WatchSettings,
    group: GroupSettings,
    read: ReadSettings,
) -> FolderPreview:
    """Divide what lies in a folder into brackets, as if it had been quiet for long.

    Raises
    ------
    InputError
        The template of names is wrong.
    """
    check_template(group.name, NAME_FIELDS)
    listing = scan(folder, skipped=skipped, close_on=watch.close_on)
    tracker = Tracker(watch=watch, group=group)
    later_s = watch.settle_s + watch.patience_s + group.gap_s
    tracker.observe(listing, 0.0)
    lacking = []
    for name in tracker.observe(listing, later_s):
        look = look_into(folder, name, max_pixels=read.max_pixels)
        tracker.learn(name, listing.files[name], look, later_s)
        if look.lacking:
            lacking.append(f"{name}: {look.lacking}")
    proposals = []
    for candidate in tracker.candidates({}, later_s):
        frames = candidate.group.frames
        name = result_name(
            group.name,
            [s.info for s in frames],
            [s.name for s in frames],
            folder.resolve().name,
        )
        proposals.append(Proposal(name=name, candidate=candidate))
    return FolderPreview(
        proposals=tuple(proposals),
        lacking=tuple(lacking),
        unknown=tuple(listing.unknown),
    )
