"""Words and numbers for people: units, signs, and names that cannot do harm."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

__all__ = ["FILTERS", "capture_columns", "place_mark", "plain", "visible"]

_MINUS = "\N{MINUS SIGN}"
_UNKNOWN = "\N{EN DASH}"
_SPACE = "\N{NO-BREAK SPACE}"


def visible(text: object) -> str:
    r"""`text` with every character that has no shape of its own written as an escape.

    Line breaks, control and direction characters and bytes that are no UTF-8 in a file
    name would break a line or mislead the eye.

    Examples
    --------
    >>> visible("a\nb")
    'a\\nb'
    """
    return "".join(
        c
        if c.isprintable() or c == _SPACE
        else c.encode("unicode_escape").decode("ascii")
        for c in str(text)
    )


def percent(share: float, digits: int = 1) -> str:
    """Write a fraction of 1 in percent; what is there but rounds to nothing says so."""
    least = 10.0**-digits
    if 0 < 100 * share < least / 2:
        return f"<{_SPACE}{least:g}{_SPACE}%"
    return f"{100 * share:.{digits}f}{_SPACE}%"


def signed(value: float, digits: int) -> str:
    """Write a number with its sign, zero without.

    Examples
    --------
    >>> signed(0.124, 2), signed(-0.001, 2)
    ('+0.12', '0.00')
    """
    text = f"{abs(value):.{digits}f}"
    if float(text) == 0:
        return text
    return ("+" if value > 0 else _MINUS) + text


def when(created: str) -> str:
    """Write a time in ISO 8601 as date, time and offset."""
    return datetime.fromisoformat(created).strftime("%Y-%m-%d %H:%M %z")


def plain(value: object, unit: str = "") -> str:
    """Any value of the record in words.

    Examples
    --------
    >>> plain(True), plain(None), plain(300 * 2**20, "bytes").replace("\N{NO-BREAK SPACE}", " ")
    ('yes', 'not known', '300 MiB')
    """
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if unit == "bytes" and isinstance(value, int | float):
        return f"{value / 2**20:.0f}{_SPACE}MiB"
    if isinstance(value, float):
        text = f"{value:.4g}" if abs(value) < 1000 else f"{value:.0f}"
        return f"{text}{_SPACE}{unit}" if unit else text
    return f"{value}{_SPACE}{unit}" if unit else str(value)


def place_mark(position: int, places: Sequence[Mapping[str, Any]]) -> str:
    """Mark of a place: the number of its finding in the list, or a letter of its own.

    Examples
    --------
    >>> place_mark(2, [{"finding": 4}, {"finding": None}, {"finding": None}])
    'B'
    """
    finding = places[position]["finding"]
    if finding is not None:
        return str(finding + 1)
    before = sum(p["finding"] is None for p in places[:position])
    return chr(ord("A") + before)


def capture_columns(inputs: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Table of what the cameras noted: only columns that any frame fills.

    Parameters
    ----------
    inputs : sequence of mappings
        ``inputs.frames`` of the record.

    Returns
    -------
    dict
        ``columns``: headings; ``rows``: per frame its ``file`` and ``cells``.
    """
    kinds = {k: w for k, w in _CAPTURE.items() if any(f[k] is not None for f in inputs)}
    return {
        "columns": [heading for heading, _ in kinds.values()],
        "rows": [
            {
                "file": f["file"],
                "cells": [
                    _UNKNOWN if f[k] is None else write(f[k])
                    for k, (_, write) in kinds.items()
                ],
            }
            for f in inputs
        ],
    }


def _exposure(seconds: float) -> str:
    # Shutter speeds below a third of a second are spoken of as fractions.
    if 0 < seconds < 0.3:
        return f"1/{1 / seconds:.0f}"
    return f"{seconds:g}"


def _captured(text: str) -> str:
    return text.replace("T", " ")


_CAPTURE: dict[str, tuple[str, Callable[[Any], str]]] = {
    "captured": ("Captured", _captured),
    "focal_length_mm": ("Focal length (mm)", lambda v: f"{v:g}"),
    "f_number": ("Aperture", lambda v: f"f/{v:g}"),
    "exposure_s": ("Exposure (s)", _exposure),
    "iso": ("ISO", lambda v: f"{v:g}"),
    "focus_distance_mm": ("Focus distance (mm)", lambda v: f"{v:g}"),
}

FILTERS: dict[str, Callable[..., str]] = {
    "percent": percent,
    "signed": signed,
    "visible": visible,
    "when": when,
}
