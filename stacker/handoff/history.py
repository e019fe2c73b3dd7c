"""How a change to a master is noted in the master's own history."""

from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version

from stacker.files import Merge

__all__ = ["Edit", "edit_now"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit(Merge):
    """A change after the fusion.

    Attributes
    ----------
    words : str
        What was done, on one line.
    """

    words: str

    def in_words(self) -> str:
        """Describe the change."""
        return self.words


def edit_now(words: str, settings_digest: str) -> Edit:
    """Note a change that this software makes now."""
    try:
        own_version = version("stacker")
    except PackageNotFoundError:  # run from a source folder
        own_version = "unknown"
    return Edit(
        frames=(),
        software=f"stacker {own_version}",
        settings_digest=settings_digest,
        when=datetime.now().astimezone(),
        words=words,
    )
