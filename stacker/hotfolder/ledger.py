"""What has to change in the journal for it to agree with the folder: pure.

The journal holds one entry per bracket; the tracker proposes brackets anew at every
look. `reconcile` finds which is which, so that nothing is fused twice, nothing is lost,
and a frame that comes late joins the bracket that it belongs to.
"""

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import Literal, TypeAlias

from stacker.hotfolder.observed import Candidate, Stat

__all__ = ["Change", "Entry", "EntryState", "FrameRef", "reconcile"]

EntryState: TypeAlias = Literal["gathering", "waiting", "fusing", "done", "parked"]
FrameRef: TypeAlias = tuple[str, Stat]
"""A frame's name below the folder, and its content by size and time."""

_GONE = "its frames are gone"
_SETTLED = ("fusing", "done")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A bracket in the journal.

    Attributes
    ----------
    number : int
        Its number in the journal; 0 for one that is new.
    state : str
        gathering: frames still come; waiting: complete, to be fused; fusing; done;
        parked: given up, with the reason.
    frames : tuple of FrameRef
        In depth order.
    reasons : tuple of str
        Why each frame is in it.
    name : str
        Of the result, without folder and suffix; empty until it is complete.
    note : str
        What it waits for, or why it failed or is parked.
    left_behind : tuple of str
        Files that stayed incomplete, with what they lack.
    tries : int
        How often fusing it has failed.
    retry_at_s : float
        Not to be tried before, by the clock of the day.
    """

    number: int = 0
    state: EntryState
    frames: tuple[FrameRef, ...]
    reasons: tuple[str, ...]
    name: str = ""
    note: str = ""
    left_behind: tuple[str, ...] = ()
    tries: int = 0
    retry_at_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One entry to be written or removed.

    Attributes
    ----------
    entry : Entry
        As it shall be.
    told : str
        What has happened, in words; empty where nothing is worth telling.
    is_dropped : bool
        Remove the entry.
    """

    entry: Entry
    told: str = ""
    is_dropped: bool = False


def reconcile(
    candidates: Sequence[Candidate], entries: Sequence[Entry], there: Collection[str]
) -> list[Change]:
    """Compare the brackets in the folder with those in the journal.

    Parameters
    ----------
    candidates : sequence of Candidate
        From a look that can be trusted.
    entries : sequence of Entry
        All of the journal's.
    there : collection of str
        Files that are there, also those that are not looked into yet.

    Returns
    -------
    list of Change
        Empty where both agree.
    """
    settled = _Lookup([e for e in entries if e.state in _SETTLED], by_name=False)
    # What is not fused yet may be known by name only: frames are written anew.
    unsettled = [e for e in entries if e.state not in _SETTLED]
    open_ones = _Lookup(unsettled, by_name=True)
    changes: list[Change] = []
    for candidate in candidates:
        refs = _refs(candidate)
        if any(s.fused_in is not None for s in candidate.group.frames):
            entry = settled.take(refs)
            if entry is not None:  # else torn from a bracket that is done
                changes += _late(candidate, refs, entry)
        else:
            changes += _open(candidate, refs, open_ones.take(refs))
    placed = {s.name for c in candidates for s in c.group.frames}
    for entry in unsettled:
        is_matched = entry.number in open_ones.taken
        names = {name for name, _ in entry.frames}
        if not is_matched and not (names & set(there)) - placed:
            told = "its frames are in another bracket" if names & placed else _GONE
            changes.append(Change(entry=entry, told=told, is_dropped=True))
    return changes


class _Lookup:
    """Finds the entry that has most of some frames; each is given away once."""

    def __init__(self, entries: Sequence[Entry], *, by_name: bool) -> None:
        self.by_name = by_name
        self.taken: set[int] = set()
        self.entries = {entry.number: entry for entry in entries}
        self.numbers: dict[object, list[int]] = {}
        for entry in entries:
            for key in self._keys(entry.frames):
                self.numbers.setdefault(key, []).append(entry.number)

    def take(self, refs: Sequence[FrameRef]) -> Entry | None:
        shared = Counter(
            number
            for key in self._keys(refs)
            for number in self.numbers.get(key, ())
            if number not in self.taken
        )
        if not shared:
            return None
        number = shared.most_common(1)[0][0]
        self.taken.add(number)
        return self.entries[number]

    def _keys(self, refs: Sequence[FrameRef]) -> set[object]:
        return {ref[0] if self.by_name else ref for ref in refs}


def _refs(candidate: Candidate) -> tuple[FrameRef, ...]:
    names = [sighting.name for sighting in candidate.group.frames]
    return tuple(zip(names, candidate.stats, strict=True))


def _late(
    candidate: Candidate, refs: Sequence[FrameRef], entry: Entry
) -> Iterator[Change]:
    """Have a bracket that is done fused again with frames that came late."""
    if entry.state != "done" or not candidate.is_complete:
        return
    before = set(entry.frames)
    kept = [
        (ref, reason)
        for ref, sighting, reason in zip(
            refs, candidate.group.frames, candidate.group.reasons, strict=True
        )
        if ref in before or sighting.fused_in is None
    ]
    new = [ref for ref, _ in kept if ref not in before]
    if not new:
        return
    old_names = {name for name, _ in entry.frames}
    rewritten = [name for name, _ in new if name in old_names]
    late = [name for name, _ in new if name not in old_names]
    told = "; ".join(
        f"{what}: {_list(names)}"
        for what, names in (("came late", late), ("was written anew", rewritten))
        if names
    )
    changed = replace(
        entry,
        state="waiting",
        frames=tuple(ref for ref, _ in kept),
        reasons=tuple(reason for _, reason in kept),
        note=told,
        left_behind=candidate.left_behind,
        tries=0,
        retry_at_s=0.0,
    )
    yield Change(entry=changed, told=f"{told}; to be fused again")


def _open(
    candidate: Candidate, refs: tuple[FrameRef, ...], entry: Entry | None
) -> Iterator[Change]:
    """Take up a bracket that is not fused yet, or bring it up to date."""
    state: EntryState = "waiting" if candidate.is_complete else "gathering"
    if entry is None:
        fresh = Entry(
            state=state,
            frames=refs,
            reasons=candidate.group.reasons,
            note=candidate.waits_for,
            left_behind=candidate.left_behind,
        )
        yield Change(entry=fresh, told=_told(None, fresh))
        return
    is_same = entry.frames == refs
    is_told = state != "gathering" or entry.note == candidate.waits_for
    if is_same and (entry.state == "parked" or (entry.state == state and is_told)):
        return
    changed = replace(
        entry,
        state=state,
        frames=refs,
        reasons=candidate.group.reasons,
        note=candidate.waits_for,
        left_behind=candidate.left_behind,
        # What has failed stays counted as long as nothing is different.
        tries=entry.tries if is_same else 0,
        retry_at_s=entry.retry_at_s if is_same else 0.0,
    )
    yield Change(entry=changed, told=_told(entry, changed))


def _told(old: Entry | None, new: Entry) -> str:
    """Say what is worth telling of a change: frames gone, the bracket complete."""
    parts = []
    if old is not None:
        names = {name for name, _ in new.frames}
        gone = [name for name, _ in old.frames if name not in names]
        if gone:
            parts.append(f"no longer in it: {_list(gone)}")
    if new.state == "waiting":
        first, last = new.frames[0][0], new.frames[-1][0]
        parts.append(
            f"complete: {len(new.frames)} frames, {_base(first)} to {_base(last)}"
        )
    return "; ".join(parts)


def _list(names: Sequence[str]) -> str:
    return ", ".join(_base(name) for name in names)


def _base(name: str) -> str:
    return PurePosixPath(name).name
