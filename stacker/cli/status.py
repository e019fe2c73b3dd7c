"""``stacker status``: how the brackets of a watched folder or of a batch stand."""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from stacker.cli.group import verbosity_options

__all__ = ["status"]

_LAST_SHOWN = 10  # of those that are done; --json has all of them
_HEADINGS = {
    "fusing": "at work",
    "waiting": "waiting",
    "gathering": "frames still come",
    "parked": "parked",
    "done": "done",
}


@click.command(short_help="Say how the brackets of a watched folder stand.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option(
    "--reasons", is_flag=True, help="Say for each frame why it is in its bracket."
)
@verbosity_options
def status(folder: Path, as_json: bool, reasons: bool) -> None:
    """Say how the brackets of a watched folder, or of a batch, stand.

    FOLDER is the one that was given to "stacker watch" or "stacker batch": on this
    machine, by this user. Shows what is at work and how far, what waits, what is done
    and what is parked, and why.
    """
    from stacker.hotfolder.status import folder_status
    from stacker.report.wording import visible

    found = folder_status(folder, with_reasons=reasons)
    if as_json:
        text = json.dumps(found, indent=2, ensure_ascii=True)
        click.echo(text)
        return
    for line in _lines(found):
        click.echo(visible(line))


def _lines(found: Mapping[str, Any]) -> Iterator[str]:
    what = "watched" if found["kind"] == "watch" else "fused as a batch"
    yield (
        f"{found['folder']}: {what} since {found['since']}, process {found['process']}"
        if found["running"]
        else f"{found['folder']}: nobody is at work on it; last sign of life "
        f"{found['alive'] or found['since']}"
    )
    yield f"results: {found['results']}"
    for state, heading in _HEADINGS.items():
        brackets = [b for b in found["brackets"] if b["state"] == state]
        if not brackets:
            continue
        yield f"{heading}: {len(brackets)}"
        if state == "done" and len(brackets) > _LAST_SHOWN:
            brackets = brackets[-_LAST_SHOWN:]
            yield f"  ... the last {_LAST_SHOWN}:"
        for bracket in brackets:
            yield "  " + _line(bracket)
            for frame, reason in zip(
                bracket["frames"], bracket.get("reasons", ()), strict=False
            ):
                yield f"    {frame}: {reason}"


def _line(bracket: Mapping[str, Any]) -> str:
    name = bracket["name"] or f"{bracket['frames'][0]}, ..."
    n = len(bracket["frames"])
    parts = [f"{name}: {n} frame{'s' if n != 1 else ''}"]
    if "progress" in bracket:
        p = bracket["progress"]
        parts.append(f"{p['stage']} {p['done']}/{p['total']}")
    if bracket["state"] == "done":
        parts += bracket["faults"] or [bracket["message"]]
    elif bracket["note"]:
        word = "waits for " if bracket["state"] == "gathering" else ""
        parts.append(f"{word}{bracket['note']}")
    return ", ".join(parts)
