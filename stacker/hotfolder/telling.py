"""What is said of a bracket: a line of the log, and the values of the user's command."""

from collections.abc import Mapping
from pathlib import Path

from stacker.hotfolder.job import Outcome
from stacker.hotfolder.journal import Fusion
from stacker.hotfolder.ledger import Entry
from stacker.report.wording import visible

__all__ = ["hook_values", "label", "told_of"]


def told_of(entry: Entry, outcome: Outcome, fusion: Fusion | None) -> str:
    """Say how a bracket ended in one line, its faults first."""
    if fusion is None:
        after = "parked" if entry.state == "parked" else "to be tried again"
        return f"{outcome.state}, {after}: {outcome.note}"
    word = {"good": "good", "look": "LOOK", "reshoot": "SHOOT AGAIN"}[fusion.verdict]
    how = "made before" if outcome.was_there else f"{fusion.took_s:.1f} s"
    return f"{word}: {' | '.join(fusion.faults or [fusion.message])} ({how})"


def label(entry: Entry) -> str:
    """Call a bracket by its name, or by its first frame."""
    first = entry.frames[0][0] if entry.frames else f"bracket {entry.number}"
    return visible(entry.name or first)


def hook_values(
    entry: Entry, fusion: Fusion | None, results: Path
) -> Mapping[str, str]:
    """Values for the user's command, by field."""
    files = {} if fusion is None else fusion.files
    return {
        "name": entry.name,
        "state": entry.state,
        "verdict": "" if fusion is None else fusion.verdict,
        "message": visible(entry.note if fusion is None else fusion.message),
        "master": str(results / files["master"]) if files else "",
        "report": str(results / files["report_html"]) if files else "",
        "results": str(results),
    }
