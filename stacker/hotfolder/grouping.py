"""Which frames make one bracket: a pure function of what is known of them.

Every frame is placed with its reason in words, so that the journal can tell why.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePosixPath

from stacker.bracket import (
    focus_starts_over,
    natural_key,
    other_kind,
    pause_s,
    series_and_number,
)
from stacker.frame import FrameInfo
from stacker.settings import Folders

__all__ = [
    "Closing",
    "FrameGroup",
    "Moment",
    "Sighting",
    "folder_of",
    "group_sightings",
    "in_order",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """When a file came, by clocks that cannot always be compared.

    Attributes
    ----------
    epoch : int
        Stretch of time in which one clock ran: odd while we watched, even for what we
        found when we began to. Later epochs have larger numbers.
    first_s, last_s : float
        First and last sign of the file, by the clock of the epoch.
    written_s : float
        The file's own time of writing.
    """

    epoch: int
    first_s: float
    last_s: float
    written_s: float

    def is_before(self, other: "Moment") -> bool:
        """Tell whether this appeared before the other."""
        return (self.epoch, self.first_s) < (other.epoch, other.first_s)

    def pause_until(self, other: "Moment") -> float:
        """Seconds from the end of this to the beginning of the other."""
        if self.epoch == other.epoch:
            return other.first_s - self.last_s
        return other.written_s - self.written_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A whole frame as the folder shows it.

    Attributes
    ----------
    name : str
        Path below the folder, with slashes.
    info : FrameInfo
        What its header says.
    moment : Moment
        When it came.
    fused_in : int or None
        The bracket in which it was fused already.
    """

    name: str
    info: FrameInfo
    moment: Moment
    fused_in: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """Somebody said that the bracket is complete.

    Attributes
    ----------
    moment : Moment
        What came before belongs to it.
    folder : str or None
        The sub-folder that is meant ("" = the folder itself); None for all.
    """

    moment: Moment
    folder: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameGroup:
    """Frames that are taken for one bracket.

    Attributes
    ----------
    frames : tuple of Sighting
        In depth order.
    reasons : tuple of str
        Why each frame is where it is, in words: for the first, why a bracket begins
        there; for the others, why it goes on.
    closed : Moment or None
        When it was closed; None if it was not.
    """

    frames: tuple[Sighting, ...]
    reasons: tuple[str, ...]
    closed: Moment | None = None


def group_sightings(
    sightings: Sequence[Sighting],
    closings: Sequence[Closing] = (),
    *,
    gap_s: float,
    folders: Folders = "split",
) -> list[FrameGroup]:
    """Divide the frames of a folder into brackets.

    Frames of one sub-folder, one kind of file and one series of names are looked at in
    the order of their numbers. A new bracket begins where frames were taken in another
    way (size, bit depth, channels, focal length, aperture), after a closing, after a
    pause in the times of capture, and where focus starts over. Where a frame has no
    time of capture, or the camera's clock was set back, the times of arrival and
    missing numbers take its place; not in a sub-folder, where somebody has sorted the
    frames and only what the camera wrote divides them. Frames that were fused together,
    or apart, stay so.

    Parameters
    ----------
    sightings : sequence of Sighting
        In any order.
    closings : sequence of Closing
        In any order.
    gap_s : float
        Longest pause within a bracket, in seconds.
    folders : str
        "whole": a sub-folder is one bracket, whatever the times say, as long as its
        frames are of one kind.

    Returns
    -------
    list of FrameGroup
        Every sighting once; in natural order of their first frames.
    """
    groups: list[FrameGroup] = []
    for series in _series(sightings, folders):
        current: list[Sighting] = []
        reasons: list[str] = []
        arrivals = _earliest_from_here(series)
        for frame, earliest in zip(series, arrivals, strict=True):
            step = _Step(current, frame, earliest, closings, gap_s, folders)
            is_new, reason = step.decide()
            if is_new and current:
                groups.append(_group(current, reasons, closings))
                current, reasons = [], []
            current.append(frame)
            reasons.append(reason)
        groups.append(_group(current, reasons, closings))
    return sorted(groups, key=lambda g: natural_key(g.frames[0].name))


def in_order(names: Sequence[str], moments: Callable[[str], float]) -> list[str]:
    """Names of one series by their numbers, across the end of the camera's counter.

    Parameters
    ----------
    names : sequence of str
        Of one series.
    moments : callable
        When the frame of that name was taken, in seconds; decides only whether low
        numbers after a row of nines come first or last.
    """
    ordered = sorted(names, key=natural_key)
    numbers = [series_and_number(name)[1] for name in ordered]
    if len(ordered) < 2 or not _is_all_nines(ordered[-1]):
        return ordered
    breaks = [
        i
        for i, (a, b) in enumerate(pairwise(numbers), start=1)
        if a is not None and b is not None and b - a > 1
    ]
    if not breaks:
        return ordered
    low, high = ordered[: breaks[-1]], ordered[breaks[-1] :]
    if min(map(moments, low)) < max(map(moments, high)):
        return ordered
    return high + low


def _is_all_nines(name: str) -> bool:
    digits = re.findall(r"[0-9]+", PurePosixPath(name).stem)
    return bool(digits) and len(digits[-1]) > 1 and set(digits[-1]) == {"9"}


def folder_of(name: str) -> str:
    """Name the sub-folder of a frame; "" for the folder itself."""
    parent = str(PurePosixPath(name).parent)
    return "" if parent == "." else parent


def _series(sightings: Sequence[Sighting], folders: Folders) -> list[list[Sighting]]:
    """Frames by sub-folder, kind of file and words of the name, each in order.

    Names that stand alone ("near.tif", "far.tif") make one series together.
    """
    by_name: dict[tuple[str, str, str], list[Sighting]] = {}
    for s in sightings:
        folder, suffix = folder_of(s.name), PurePosixPath(s.name).suffix.lower()
        is_whole = folders == "whole" and folder
        words = "" if is_whole else series_and_number(s.name)[0]
        by_name.setdefault((folder, suffix, words), []).append(s)
    series: list[list[Sighting]] = []
    alone: dict[tuple[str, str], list[Sighting]] = {}
    for (folder, suffix, _), members in by_name.items():
        if len(members) == 1:
            alone.setdefault((folder, suffix), []).extend(members)
        else:
            series.append(members)
    return [_ordered(members) for members in (*series, *alone.values())]


def _ordered(members: list[Sighting]) -> list[Sighting]:
    by_name = {s.name: s for s in members}

    def moment(name: str) -> float:
        captured = by_name[name].info.captured
        return captured.timestamp() if captured else by_name[name].moment.first_s

    return [by_name[name] for name in in_order(list(by_name), moment)]


def _earliest_from_here(series: Sequence[Sighting]) -> list[Sighting]:
    """For each frame the one that arrived first among it and those after it.

    A frame that comes late into a run is no pause: the next one was there before.
    """
    earliest: list[Sighting] = []
    for frame in reversed(series):
        is_first = not earliest or frame.moment.is_before(earliest[-1].moment)
        earliest.append(frame if is_first else earliest[-1])
    return earliest[::-1]


def _group(
    frames: Sequence[Sighting], reasons: Sequence[str], closings: Sequence[Closing]
) -> FrameGroup:
    last = frames[-1]
    after = [
        closing.moment
        for closing in closings
        if closing.folder in (None, folder_of(last.name))
        and all(_is_after(closing, frame) for frame in frames)
    ]
    closed = min(after, key=lambda m: (m.epoch, m.first_s), default=None)
    return FrameGroup(frames=tuple(frames), reasons=tuple(reasons), closed=closed)


def _is_after(closing: Closing, frame: Sighting) -> bool:
    return not closing.moment.is_before(frame.moment)


@dataclass(frozen=True, slots=True)
class _Step:
    """The question whether one frame goes on with the bracket before it."""

    members: Sequence[Sighting]
    frame: Sighting
    earliest: Sighting
    closings: Sequence[Closing]
    gap_s: float
    folders: Folders

    def decide(self) -> tuple[bool, str]:
        """Whether a bracket begins here, and why it does or does not."""
        if not self.members:
            return True, self._beginning()
        for question in (
            self._fused_before,
            self._other_kind,
            self._whole_folder,
            self._closed,
            self._pause,
            self._focus,
        ):
            answer = question()
            if answer is not None:
                return answer
        return False, self._how_it_follows()

    @property
    def last(self) -> Sighting:
        return self.members[-1]

    def _beginning(self) -> str:
        folder = folder_of(self.frame.name)
        words, number = series_and_number(self.frame.name)
        series = f"the series {words.replace('#', '...')}" if number is not None else ""
        where = f"folder {folder}" if folder else ""
        return "first of " + (" in ".join(filter(None, (series, where))) or "all")

    def _fused_before(self) -> tuple[bool, str] | None:
        """Frames between two that were fused together belong to them, too."""
        before = {m.fused_in for m in self.members} - {None}
        if self.frame.fused_in is None or not before:
            return None
        if self.frame.fused_in in before:
            return False, f"fused with {self._name(self.last)} before"
        return True, f"fused apart from {self._name(self.last)} before"

    def _other_kind(self) -> tuple[bool, str] | None:
        difference = other_kind(self.last.info, self.frame.info)
        if not difference:
            return None
        return True, f"{difference} than {self._name(self.last)}"

    def _whole_folder(self) -> tuple[bool, str] | None:
        folder = folder_of(self.frame.name)
        if self.folders == "whole" and folder:
            return False, f"in folder {folder}"
        return None

    def _closed(self) -> tuple[bool, str] | None:
        folder = folder_of(self.frame.name)
        for closing in self.closings:
            if closing.folder not in (None, folder):
                continue
            if _is_after(closing, self.last) and not _is_after(closing, self.earliest):
                return True, f"the bracket was closed after {self._name(self.last)}"
        return None

    def _pause(self) -> tuple[bool, str] | None:
        pause = pause_s(self.last.info, self.frame.info)
        if pause is not None and pause >= 0:
            if pause > self.gap_s:
                return True, f"taken {_duration(pause)} after {self._name(self.last)}"
            return None
        if folder_of(self.frame.name):
            return None
        clock = "" if pause is None else ", and the camera's clock was set back"
        arrival = self.last.moment.pause_until(self.earliest.moment)
        if arrival > self.gap_s:
            name = self._name(self.last)
            return True, f"arrived {_duration(arrival)} after {name}{clock}"
        old, new = (series_and_number(s.name)[1] for s in (self.last, self.frame))
        if pause is None and old is not None and new is not None and new > old + 1:
            return True, f"number {new} after {old}, and no time of capture"
        return None

    def _focus(self) -> tuple[bool, str] | None:
        infos = [m.info for m in self.members]
        if not focus_starts_over(infos, self.frame.info):
            return None
        before, now = infos[-1].focus_distance_mm, self.frame.info.focus_distance_mm
        return True, f"focus starts over, from {before:g} mm back to {now:g} mm"

    def _how_it_follows(self) -> str:
        pause = pause_s(self.last.info, self.frame.info)
        name = self._name(self.last)
        if pause is not None and pause >= 0:
            return f"taken {_duration(pause)} after {name}"
        return f"follows {name}"

    @staticmethod
    def _name(frame: Sighting) -> str:
        return PurePosixPath(frame.name).name


def _duration(seconds: float) -> str:
    """Write a time span as people say it.

    Examples
    --------
    >>> _duration(2.31), _duration(754), _duration(9000)
    ('2.3 s', '13 min', '2.5 h')
    """
    if seconds < 100:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    if seconds < 6000:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
