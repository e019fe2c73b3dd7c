"""Order of frames and their grouping into brackets: pure functions on facts.

Nothing here looks at a disk: names, times and sizes come in, orders and groups go out.
Reading order: `natural_key`, `order_by_capture`.
"""

import re
from collections.abc import Sequence
from datetime import datetime

from stacker.errors import BracketError

__all__ = ["natural_key", "natural_order", "order_by_capture"]

# ASCII digits only: a superscript two is a digit to str.isdigit, but not to int().
_DIGITS = re.compile(r"([0-9]+)")


def natural_key(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Sort key that counts as a person does: "frame 2" before "frame 10".

    Runs of digits compare as numbers, everything else without regard to case; names
    that are equal so far ("a1", "a01") compare letter by letter.

    Parameters
    ----------
    name : str
        A file name, or a path given as text.

    Returns
    -------
    tuple
        To be compared with other keys of this function only.

    Examples
    --------
    >>> sorted(["f10.tif", "f9.tif", "F1.tif"], key=natural_key)
    ['F1.tif', 'f9.tif', 'f10.tif']
    """
    parts = (
        (0, int(part), "") if part.isdecimal() else (1, 0, part.casefold())
        for part in _DIGITS.split(name)
        if part
    )
    return tuple(parts), name


def natural_order(names: Sequence[str]) -> list[int]:
    """Positions of `names` in natural order.

    Examples
    --------
    >>> natural_order(["b2", "b10", "a"])
    [2, 0, 1]
    """
    return sorted(range(len(names)), key=lambda i: natural_key(names[i]))


def order_by_capture(
    names: Sequence[str], times: Sequence[datetime | None]
) -> list[int]:
    """Positions of frames in order of capture; equal times go by natural name.

    Parameters
    ----------
    names : sequence of str
        One name per frame.
    times : sequence of datetime or None
        Time of capture per frame. Offsets from UTC count only where every frame has
        one: a camera that notes it in some frames has not moved between them.

    Returns
    -------
    list of int
        A permutation of 0..n-1.

    Raises
    ------
    BracketError
        A frame has no time of capture.
    """
    known: list[datetime] = []
    for name, time in zip(names, times, strict=True):
        if time is None:
            msg = f"{name}: no time of capture in its metadata, order by name instead"
            raise BracketError(msg, names=(name,))
        known.append(time)
    if not all(time.tzinfo is not None for time in known):
        known = [time.replace(tzinfo=None) for time in known]
    return sorted(range(len(names)), key=lambda i: (known[i], natural_key(names[i])))
