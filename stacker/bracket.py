"""Order of frames and their grouping into brackets: pure functions on facts.

Nothing here looks at a disk: names, times and sizes come in, orders and groups go out.
Reading order: `natural_key`, `order_by_capture`, `group_frames`.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import PurePath

from stacker.errors import BracketError
from stacker.frame import FrameInfo

__all__ = [
    "Group",
    "focus_starts_over",
    "group_frames",
    "natural_key",
    "natural_order",
    "order_by_capture",
    "other_kind",
    "pause_s",
    "series_and_number",
]

# ASCII digits only: a superscript two is a digit to str.isdigit, but not to int().
_DIGITS = re.compile(r"([0-9]+)")
_BACK_FRACTION = 0.5


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Frames that are taken for one bracket.

    Attributes
    ----------
    frames : tuple of int
        Positions in what was given, in order.
    reason : str
        Why the group begins where it does, in words.
    """

    frames: tuple[int, ...]
    reason: str


def group_frames(infos: Sequence[FrameInfo], *, gap_s: float) -> list[Group]:
    """Divide frames into brackets by what is known of them.

    A new bracket begins with another folder, another size, depth, focal length or
    aperture, another stem of the file name, a pause in time, a number that is not the
    next one where no time is known, or focus that runs one way and jumps back.

    Parameters
    ----------
    infos : sequence of FrameInfo
        In the order in which they were taken. What a file does not say divides nothing.
    gap_s : float
        Longest pause within a bracket, in seconds.

    Returns
    -------
    list of Group
        Every position once, in order.
    """
    groups: list[Group] = []
    current: list[int] = []
    reason = "the first frame"
    for i, info in enumerate(infos):
        why = _new_bracket_reason([infos[k] for k in current], info, gap_s)
        if current and why:
            groups.append(Group(frames=tuple(current), reason=reason))
            current, reason = [], why
        current.append(i)
    if current:
        groups.append(Group(frames=tuple(current), reason=reason))
    return groups


def _new_bracket_reason(
    members: Sequence[FrameInfo], frame: FrameInfo, gap_s: float
) -> str:
    """Why `frame` does not belong to `members`, in words; empty where it does."""
    if not members:
        return ""
    last = members[-1]
    if PurePath(last.name).parent != PurePath(frame.name).parent:
        return "another folder"
    return (
        other_kind(last, frame)
        or _pause_or_jump(last, frame, gap_s)
        or focus_starts_over(members, frame)
    )


def other_kind(last: FrameInfo, frame: FrameInfo) -> str:
    """Why two frames cannot be of one bracket by how they were taken, in words.

    Empty where they can; what a file does not say divides nothing.
    """
    differences = (
        ("size", (last.width, last.height), (frame.width, frame.height)),
        ("bit depth", last.bit_depth, frame.bit_depth),
        ("number of channels", last.n_channels, frame.n_channels),
        ("focal length", last.focal_length_mm, frame.focal_length_mm),
        ("aperture", last.f_number, frame.f_number),
    )
    for what, before, now in differences:
        if before != now and None not in (before, now):
            return f"another {what}"
    return ""


def pause_s(last: FrameInfo, frame: FrameInfo) -> float | None:
    """Seconds between two captures; None where either has no time.

    Offsets from UTC count only where both have one.
    """
    if last.captured is None or frame.captured is None:
        return None
    times = (last.captured, frame.captured)
    if not all(t.tzinfo for t in times):
        times = (times[0].replace(tzinfo=None), times[1].replace(tzinfo=None))
    return (times[1] - times[0]).total_seconds()


def _pause_or_jump(last: FrameInfo, frame: FrameInfo, gap_s: float) -> str:
    """Judge by time where both have one, else by the numbers in the names."""
    pause = pause_s(last, frame)
    if pause is not None:
        if pause > gap_s:
            return f"a pause of {pause:.0f} s"
        return "a step back in time" if pause < 0 else ""
    old_words, old = series_and_number(last.name)
    new_words, new = series_and_number(frame.name)
    if old_words != new_words:
        return "another name"
    if old is not None and new is not None and new != old + 1:
        return f"number {new} after {old}"
    return ""


def series_and_number(name: str) -> tuple[str, int | None]:
    """Split a file's stem into its words and the last number in it.

    Examples
    --------
    >>> series_and_number("shots/cup2_0017.tif"), series_and_number("grey.tif")
    (('cup2_#', 17), ('grey', None))
    """
    parts = _DIGITS.split(PurePath(name).stem)
    if len(parts) < 2:
        return parts[0], None
    return "".join([*parts[:-2], "#", parts[-1]]), int(parts[-2])


def focus_starts_over(members: Sequence[FrameInfo], frame: FrameInfo) -> str:
    """Notice that focus ran one way over the members and now starts over.

    "Back" is further than half of the way that it has run: a nudge against the run is a
    fault within a bracket, for others to find.
    """
    known = [m.focus_distance_mm for m in members if m.focus_distance_mm is not None]
    now = frame.focus_distance_mm
    if now is None or len(known) != len(members) or len(known) < 3:
        return ""
    run = known[-1] - known[0]
    steps = [b - a for a, b in pairwise(known)]
    # Cameras note distances coarsely: two frames may well have the same.
    is_one_way = run != 0 and all(step * run >= 0 for step in steps)
    if is_one_way and (known[-1] - now) / run > _BACK_FRACTION:
        return "focus starts over"
    return ""
