"""Focus distances from makers' own notes, through ExifTool where it is installed.

The standard tag SubjectDistance is read without it (see `metadata`); most makers write
the distance into notes of their own format, which ExifTool knows and this package does
not. It is a separate program, never required.
"""

import json
import logging
import os
import shutil
import subprocess
from collections.abc import Sequence
from os import PathLike
from pathlib import Path
from typing import Any

__all__ = ["focus_distances_mm"]

_log = logging.getLogger(__name__)

# ExifTool's names, metres with -n, best first; upper and lower are the ends of a range.
_SINGLE = ("FocusDistance", "FocusDistance2", "ObjectDistance")
_RANGE = ("FocusDistanceLower", "FocusDistanceUpper")
_LAST = ("ApproximateFocusDistance",)  # of raw converters, in XMP
_TIMEOUT_S = 30.0  # for all frames; it needs some 20 ms a frame
_MAX_M = 1e4  # beyond lies infinity
_MM_PER_M = 1000.0


def focus_distances_mm(paths: Sequence[str | PathLike[str]]) -> list[float | None]:
    """Focus distance of each file; None where ExifTool is missing or knows none.

    Never fails: a distance is a help, not a need.
    """
    program = shutil.which("exiftool")
    nothing: list[float | None] = [None] * len(paths)
    # One argument a line: names that hold a line break cannot be given.
    named = {os.path.abspath(p): i for i, p in enumerate(paths)}  # noqa: PTH100
    given = [n for n in named if "\n" not in n and "\r" not in n]
    if program is None or not given:
        return nothing
    options = [
        "-j",
        "-n",
        "-q",
        "-fast",
        *(f"-{t}" for t in (*_SINGLE, *_RANGE, *_LAST)),
    ]
    arguments = b"\n".join(os.fsencode(a) for a in [*options, *given])
    try:
        done = subprocess.run(  # noqa: S603 - no shell, names as absolute paths
            [program, "-config", "", "-@", "-"],
            input=arguments,
            capture_output=True,
            timeout=_TIMEOUT_S,
            check=False,
        )
        answers = json.loads(done.stdout or b"[]")
    except (OSError, subprocess.TimeoutExpired, ValueError):
        _log.debug("exiftool failed", exc_info=True)
        return nothing
    found = nothing
    for answer in answers if isinstance(answers, list) else ():
        if not isinstance(answer, dict):
            continue
        index = named.get(str(Path(str(answer.get("SourceFile", "")))))
        if index is not None:
            found[index] = _distance_mm(answer)
    return found


def _distance_mm(tags: dict[str, Any]) -> float | None:
    def metres(name: str) -> float | None:
        value = tags.get(name)
        if not isinstance(value, (int, float)) or isinstance(value, bool):
            return None  # "inf", "undef"
        return float(value) if 0 < value < _MAX_M else None

    for name in _SINGLE:
        if (single := metres(name)) is not None:
            return single * _MM_PER_M
    ends = [m for m in map(metres, _RANGE) if m is not None]
    if len(ends) == len(_RANGE):
        return sum(ends) / 2 * _MM_PER_M
    last = metres(_LAST[0])
    return None if last is None else last * _MM_PER_M
