"""The page of all brackets of a folder: one file that opens from disk.

Its pictures lie in a folder beside it. Names and messages come from anywhere and are
escaped; a policy in the page forbids everything that is not its own.
"""

import hashlib
from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from importlib.metadata import PackageNotFoundError, version
from os import fspath
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from stacker.files.single import write_whole
from stacker.hotfolder.journal import Fusion
from stacker.hotfolder.ledger import Entry
from stacker.report.wording import FILTERS, visible

__all__ = ["INDEX", "SHOWN_AT_MOST", "IndexFacts", "render_index", "write_index"]

INDEX = "index.html"
VERDICTS = {"good": "✓ good", "look": "▲ look at it", "reshoot": "✕ shoot again"}
WORDS = {"gathering": "gathering", "waiting": "waiting", "fusing": "fusing"}
SHOWN_AT_MOST = 300
"""Brackets that are done: a page of a busy year has to open, too."""
_MAX_FAULTS = 4  # on a card; the report has all of them


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexFacts:
    """All that the page tells.

    Attributes
    ----------
    folder : Path
        Where the frames come from.
    results : Path
        Where the page is.
    unfinished : sequence of Entry
        Brackets that are not done.
    latest : sequence of (Entry, Fusion)
        Those that are, or were before a late frame came, the newest first.
    verdicts : mapping of str to int
        How many are done in all, by verdict.
    is_watch : bool
        A watched folder, else a batch.
    is_running : bool
        There may be news.
    """

    folder: Path
    results: Path
    unfinished: Sequence[Entry]
    latest: Sequence[tuple[Entry, Fusion]]
    verdicts: Mapping[str, int]
    is_watch: bool
    is_running: bool


def write_index(facts: IndexFacts) -> None:
    """Write the page into the results, whole or not at all.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    data = render_index(facts).encode("utf-8", "backslashreplace")
    write_whole(facts.results / INDEX, data, overwrite=True)


def render_index(facts: IndexFacts) -> str:
    """Lay out the page."""
    style = _sheet("stacker.report", "page.css") + _sheet(__package__, "index.css")
    script = _sheet(__package__, "index.js") if facts.is_running else ""
    return (
        _environment()
        .get_template("index.html.j2")
        .render(
            title=visible(facts.folder.name or facts.folder),
            policy=_policy(style, script),
            style=Markup(style),  # noqa: S704  # our own sheets
            script=Markup(script),  # noqa: S704  # our own
            written=datetime.now(UTC).astimezone().isoformat(timespec="seconds"),
            summary=_summary(facts),
            parked=[_line(e) for e in facts.unfinished if e.state == "parked"],
            queue=[_line(e) for e in facts.unfinished if e.state in WORDS][::-1],
            words=WORDS,
            cards=[_card(entry, fusion) for entry, fusion in facts.latest],
            n_earlier=sum(facts.verdicts.values()) - len(facts.latest),
            verdicts=VERDICTS,
            is_watch=facts.is_watch,
            is_running=facts.is_running,
            version=_version(),
        )
    )


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader(__package__),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    environment.filters.update(FILTERS)
    return environment


@cache
def _sheet(package: str, name: str) -> str:
    return (resources.files(package) / "templates" / name).read_text("utf-8")


def _policy(style: str, script: str) -> str:
    hashes = [
        b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
        for text in (style, script)
    ]
    return (
        "default-src 'none'; img-src 'self' file:; "
        f"style-src 'sha256-{hashes[0]}'; script-src 'sha256-{hashes[1]}'; "
        "base-uri 'none'; form-action 'none'"
    )


def _summary(facts: IndexFacts) -> list[tuple[str, str]]:
    """Count the brackets, each count with the colour it is shown in."""
    states = [entry.state for entry in facts.unfinished]
    n_open = sum(state in WORDS for state in states)
    counts = [
        ("good", facts.verdicts.get("good", 0), "good"),
        ("look", facts.verdicts.get("look", 0), "to look at"),
        ("reshoot", facts.verdicts.get("reshoot", 0), "to shoot again"),
        ("reshoot", states.count("parked"), "parked"),
        ("note", n_open, "to be done"),
    ]
    shown = [(level, f"{n} {words}") for level, n, words in counts if n]
    return shown or [("note", "no bracket yet")]


def _line(entry: Entry) -> dict[str, Any]:
    names = [PurePosixPath(name).name for name, _ in entry.frames]
    waits = "waits for " if entry.note and entry.state == "gathering" else ""
    return {
        "state": entry.state,
        "label": entry.name or " to ".join(dict.fromkeys((names[0], names[-1]))),
        "n_frames": len(names),
        "note": waits + entry.note,
    }


def _card(entry: Entry, fusion: Fusion) -> dict[str, Any]:
    faults = list(fusion.faults)
    if len(faults) > _MAX_FAULTS:
        more = len(faults) - _MAX_FAULTS + 1
        faults = [*faults[: _MAX_FAULTS - 1], f"and {more} more, see the report"]
    thumbnail = fusion.files.get("thumbnail", "")
    return {
        "name": entry.name,
        "verdict": fusion.verdict,
        "told": faults or [fusion.message],
        "n_frames": fusion.n_frames,
        "width": fusion.width,
        "height": fusion.height,
        "took": f"{fusion.took_s:.1f} s" if fusion.took_s else "made before",
        "created": fusion.created,
        "report": _url(fusion.files.get("report_html", "")),
        "master": _url(fusion.files.get("master", "")),
        # Written anew, it is another picture under the same name.
        "thumbnail": f"{_url(thumbnail)}?{quote(fusion.created)}" if thumbnail else "",
    }


def _url(name: str) -> str:
    """Address of a file beside the page: "./" keeps a colon from being a scheme."""
    return "./" + quote(fspath(name).encode("utf-8", "surrogateescape"))


def _version() -> str:
    try:
        return version("stacker")
    except PackageNotFoundError:  # run from a source folder
        return ""
