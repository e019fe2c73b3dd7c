"""What came of a batch, bracket by bracket."""

from dataclasses import dataclass

from stacker.hotfolder.journal import Fusion
from stacker.hotfolder.ledger import Entry

__all__ = ["BatchRow", "BatchSummary", "row_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchRow:
    """One line of the summary.

    Attributes
    ----------
    name : str
        Of the result, or of the first frame where there is none.
    n_frames : int
    state : str
        "done", "kept" (done before), "failed" or "waiting" (the batch was stopped).
    verdict, message : str
        What came of it, or why nothing did.
    faults : tuple of str
        What a person should look at.
    took_s : float
    """

    name: str
    n_frames: int
    state: str
    verdict: str = ""
    message: str = ""
    faults: tuple[str, ...] = ()
    took_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSummary:
    """What came of a batch.

    Attributes
    ----------
    rows : tuple of BatchRow
        Every bracket, in natural order.
    lacking : tuple of str
        Files that are not whole, with what they lack.
    is_broken_off : bool
        It was stopped before its end.
    """

    rows: tuple[BatchRow, ...]
    lacking: tuple[str, ...] = ()
    is_broken_off: bool = False

    @property
    def n_failed(self) -> int:
        """How many brackets failed."""
        return sum(row.state == "failed" for row in self.rows)


def row_of(entry: Entry, fusion: Fusion | None, *, is_kept: bool) -> BatchRow:
    """Sum up one bracket.

    Parameters
    ----------
    entry : Entry
        As the journal has it at the end.
    fusion : Fusion or None
        What came of it.
    is_kept : bool
        It had been done before.
    """
    name, n_frames = entry.name or entry.frames[0][0], len(entry.frames)
    if entry.state != "done" or fusion is None:
        state = "failed" if entry.state == "parked" else "waiting"
        return BatchRow(name=name, n_frames=n_frames, state=state, message=entry.note)
    return BatchRow(
        name=name,
        n_frames=n_frames,
        state="kept" if is_kept else "done",
        verdict=fusion.verdict,
        message=fusion.message,
        faults=fusion.faults,
        took_s=fusion.took_s,
    )
