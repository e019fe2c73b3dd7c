"""Settings of many brackets: how they are told apart, watched for and worked off."""

from dataclasses import dataclass
from math import inf
from typing import Literal, TypeAlias, get_args

from stacker.settings.limits import check

__all__ = [
    "BatchSettings",
    "Folders",
    "GroupSettings",
    "WatchSettings",
]

Folders: TypeAlias = Literal["split", "whole"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSettings:
    """How the frames of many brackets are told apart.

    Attributes
    ----------
    gap_s : float
        Longest pause between two frames of one bracket, in seconds; after so long
        without a new frame a bracket counts as complete. Longer than recycling of the
        flash and exposure take, shorter than setting up the next picture.
    folders : str
        What a sub-folder is: to be "split" where what the camera wrote in its frames
        says so, or one bracket as a "whole" whatever the pauses in it.
    name : str
        Name of a result: a text with {folder} (of the frames), {first}, {last} (frames,
        without suffix), {date}, {time} (of the first frame) or {count} (of frames). A
        slash makes folders.
    """

    gap_s: float = 30.0
    folders: Folders = "split"
    name: str = "{folder}_{first}"

    def __post_init__(self) -> None:
        check(0 < self.gap_s < inf, "gap_s", self.gap_s, "more than 0 seconds")
        check(
            self.folders in get_args(Folders),
            "folders",
            self.folders,
            "one of " + ", ".join(get_args(Folders)),
        )
        check(bool(self.name.strip()), "name", self.name, "a text")


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSettings:
    """How a folder is watched.

    Attributes
    ----------
    settle_s : float
        A file whose size and time have not changed for so many seconds is looked at.
        Shares may tell of changes with a delay of a second or two.
    look_s : float
        Seconds between two looks at the folder.
    patience_s : float
        Seconds after which a bracket no longer waits for a file that stays incomplete;
        should it become whole later, the bracket is fused again.
    close_on : str or None
        Pattern of names: a file of such a name (*.done, say) closes the bracket that
        came before it in its folder.
    tries : int
        Times that a bracket is tried before it is parked.
    retry_s : float
        Seconds to the second try; each further wait is twice as long.
    longest_retry_s : float
        Longest wait between two tries. A full disk or a lost share never parks a
        bracket: it is tried again at this pace at the latest.
    """

    settle_s: float = 2.0
    look_s: float = 1.0
    patience_s: float = 300.0
    close_on: str | None = None
    tries: int = 3
    retry_s: float = 10.0
    longest_retry_s: float = 120.0

    def __post_init__(self) -> None:
        for name in ("settle_s", "look_s", "patience_s", "retry_s", "longest_retry_s"):
            value = getattr(self, name)
            check(0 < value < inf, name, value, "more than 0 seconds")
        check(self.tries >= 1, "tries", self.tries, "at least 1")


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSettings:
    """How many brackets are fused in one go.

    Attributes
    ----------
    jobs : int
        Brackets at a time. The threads (one per core, or --threads) are shared out
        among them; fewer at a time run where memory is short.
    memory_gib : float or None
        Memory that all of them together may take, in GiB, shared out among them; with
        a cluster, of each worker. Without it three quarters of the machine's.
    resume : bool
        Go on with an earlier batch: what is done with the same settings is kept, what
        failed is tried again.
    """

    jobs: int = 1
    memory_gib: float | None = None
    resume: bool = False

    def __post_init__(self) -> None:
        check(self.jobs >= 1, "jobs", self.jobs, "at least 1")
        check(
            self.memory_gib is None or 0 < self.memory_gib < inf,
            "memory_gib",
            self.memory_gib,
            "more than 0",
        )
