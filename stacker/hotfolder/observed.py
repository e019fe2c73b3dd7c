"""What looks at a folder show, and the brackets that are made of it: values, no rules."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from stacker.frame import FrameInfo
from stacker.hotfolder.grouping import FrameGroup

__all__ = ["Candidate", "Listing", "Look", "Stat"]

Stat: TypeAlias = tuple[int, int]
"""Size in bytes and time of writing in ns: what tells one content from another."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """What one look at the folder has shown.

    Attributes
    ----------
    files : mapping of str to Stat
        Frames and markers by their path below the folder, with slashes.
    unknown : collection of str
        Folders that could not be read, "" for the whole: what lies in them is unknown.
    """

    files: Mapping[str, Stat]
    unknown: Collection[str] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a look into a file has shown.

    Attributes
    ----------
    info : FrameInfo or None
        Its header.
    lacking, doubt : str
        What is missing, or may be, in words; empty where nothing is.
    """

    info: FrameInfo | None
    lacking: str = ""
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A bracket as far as it is known.

    Attributes
    ----------
    group : FrameGroup
        Its frames, each with its reason.
    stats : tuple of Stat
        Of each frame.
    is_complete : bool
        It may be fused.
    waits_for : str
        What it waits for, in words, where it is not complete.
    left_behind : tuple of str
        Files beside it that stayed incomplete, with what they lack.
    is_ripening : bool
        Time alone may complete it; else it takes a change in the folder.
    """

    group: FrameGroup
    stats: tuple[Stat, ...]
    is_complete: bool
    waits_for: str = ""
    left_behind: tuple[str, ...] = ()
    is_ripening: bool = False
