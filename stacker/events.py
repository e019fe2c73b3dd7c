"""Progress: what a long call reports while it works.

Every long call takes ``on_event``, a callable that receives one `Event` after the other
in the calling thread. It may raise to stop the work: nothing half-written stays behind.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

__all__ = ["Event", "OnEvent", "Stage", "ignore_event"]

Stage: TypeAlias = Literal["read", "align", "measure", "fuse", "write", "report"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One step of the work is done.

    Attributes
    ----------
    stage : str
        The stage at work.
    done, total : int
        Steps done and steps in all within the stage; ``done == total`` ends it.
    message : str
        A few words for a person: the frame at hand, say. May be empty.
    """

    stage: Stage
    done: int
    total: int
    message: str = ""


OnEvent: TypeAlias = Callable[[Event], None]


def ignore_event(event: Event) -> None:
    """Do nothing with an event: the default of every ``on_event``."""
    del event
