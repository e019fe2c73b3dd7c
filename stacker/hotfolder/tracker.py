"""From looks at a folder to brackets that are complete: no disk and no clock in here.

A frame goes through these states: arriving (its size or time still changes), still
(unchanged long enough to be looked into), whole, lacking (looked into, and not all
there). Frames that vanish together with all others, or with their folder, are not gone
but unknown: that is a share that is away.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import PurePosixPath
from typing import Literal, TypeAlias

from stacker.bracket import series_and_number
from stacker.frame import FrameInfo
from stacker.hotfolder.grouping import (
    Closing,
    FrameGroup,
    Moment,
    Sighting,
    folder_of,
    group_sightings,
)
from stacker.hotfolder.observed import Candidate, Listing, Look, Stat
from stacker.settings import GroupSettings, WatchSettings

__all__ = ["Tracker", "is_marker"]

State: TypeAlias = Literal["arriving", "still", "whole", "lacking"]

_NS = 1_000_000_000
_SECOND = "a second frame"
_MAX_CLOSINGS = 100  # remembered: what older ones have closed is long fused
_MIN_LOOKS = 2  # a file must be the same at so many looks, however far apart they are


@dataclass(slots=True)
class _Frame:
    stat: Stat
    moment: Moment
    settled_since_s: float
    state: State = "arriving"
    n_looks: int = 1
    info: FrameInfo | None = None
    lacking: str = ""
    look_again_s: float = 0.0
    missing_since_s: float | None = None


@dataclass(slots=True)
class Tracker:
    """All that is known of one folder.

    Parameters
    ----------
    watch, group : settings
        Times and patterns.
    epoch : int
        Odd, larger at every start, so that times of different runs are not compared.
    known : mapping
        Stat and moment of files from earlier runs, by name.
    """

    watch: WatchSettings
    group: GroupSettings
    epoch: int = 1
    known: Mapping[str, tuple[Stat, Moment]] = field(default_factory=dict)
    _frames: dict[str, _Frame] = field(default_factory=dict)
    _closings: list[Closing] = field(default_factory=list)
    _is_first_look: bool = True
    _unread: set[str] = field(default_factory=set)
    n_changes: int = 0
    """Grows with every change that may matter to the brackets."""

    def observe(self, listing: Listing, now_s: float) -> list[str]:
        """Take note of a look at the folder.

        Parameters
        ----------
        listing : Listing
            What was seen.
        now_s : float
            By a clock that nobody sets.

        Returns
        -------
        list of str
            Files that should be looked into now; tell `learn` what was found.
        """
        if self.is_unknown(listing):
            return []
        if self._is_first_look:
            self._unread = set(listing.files)
        for name, stat in listing.files.items():
            self._see(name, stat, now_s)
        self._miss(listing, now_s)
        self._unread &= {
            name for name in listing.files if not is_marker(name, self.watch.close_on)
        }
        self._is_first_look = False
        return [n for n, f in self._frames.items() if self._is_due(n, f, now_s)]

    def is_unknown(self, listing: Listing) -> bool:
        """Tell whether a look has shown nothing that can be trusted.

        A folder that is empty all at once is the place where a share is mounted.
        """
        if "" in listing.unknown:
            return True
        return not listing.files and bool(self._frames or self.known)

    @property
    def is_catching_up(self) -> bool:
        """Files that were there at the first look have not all been looked into.

        Until then brackets of earlier runs seem to lack frames.
        """
        return self._is_first_look or bool(self._unread)

    def learn(self, name: str, stat: Stat, look: Look, now_s: float) -> None:
        """Take note of what a file holds; ignored where it has changed since."""
        frame = self._frames.get(name)
        if frame is None or frame.stat != stat:
            return
        self.n_changes += 1
        self._unread.discard(name)
        frame.info, frame.lacking = look.info, look.lacking or look.doubt
        still_s = now_s - frame.settled_since_s
        if not look.lacking and (not look.doubt or still_s >= self.group.gap_s):
            frame.state, frame.lacking = "whole", ""
            return
        frame.state = "lacking"
        # Soon at first, then at a tenth of the time that has gone by.
        frame.look_again_s = now_s + max(self.watch.settle_s, 0.1 * still_s)

    def close_by_hand(self, now_s: float) -> None:
        """Close every bracket whose frames have all come before now."""
        moment = Moment(epoch=self.epoch, first_s=now_s, last_s=now_s, written_s=now_s)
        self._close(Closing(moment=moment))

    def memory(self) -> dict[str, tuple[Stat, Moment]]:
        """Return what a later run should be given as `known`."""
        return {name: (f.stat, f.moment) for name, f in self._frames.items()}

    def names(self) -> Collection[str]:
        """Name the files that are there, in whatever state."""
        return self._frames.keys()

    def infos(self, names: Sequence[str]) -> list[FrameInfo] | None:
        """Headers of some frames; None unless all of them are whole and there."""
        frames = [self._frames.get(name) for name in names]
        found = [f.info for f in frames if f is not None and f.state == "whole"]
        infos = [info for info in found if info is not None]
        return infos if len(infos) == len(names) else None

    def candidates(
        self, fused_in: Mapping[tuple[str, Stat], int], now_s: float
    ) -> list[Candidate]:
        """Divide what is there into brackets.

        Parameters
        ----------
        fused_in : mapping
            Bracket by name and stat of its frames, for those that are fused.
        now_s : float
            As for `observe`.
        """
        closings = [*self._closings, *self._markers()]
        sightings = [
            Sighting(
                name=name,
                info=frame.info,
                moment=frame.moment,
                fused_in=fused_in.get((name, frame.stat)),
            )
            for name, frame in self._frames.items()
            if frame.state == "whole" and frame.info is not None
        ]
        groups = group_sightings(
            sightings,
            closings,
            gap_s=self.group.gap_s,
            folders=self.group.folders,
        )
        return [self._candidate(group, now_s) for group in groups]

    def counts(self) -> dict[str, int]:
        """Count the files by state."""
        counts: dict[str, int] = {}
        for name, frame in self._frames.items():
            if not is_marker(name, self.watch.close_on):
                counts[frame.state] = counts.get(frame.state, 0) + 1
        return counts

    # Looks --------------------------------------------------------------------

    def _see(self, name: str, stat: Stat, now_s: float) -> None:
        frame = self._frames.get(name)
        if frame is None or frame.stat != stat or frame.missing_since_s is not None:
            self.n_changes += 1
        if frame is None:
            self._frames[name] = _Frame(
                stat=stat, moment=self._moment(name, stat, now_s), settled_since_s=now_s
            )
        elif frame.stat != stat:
            self._unread.discard(name)
            self._keep_closing(name, frame)
            moment = frame.moment
            if moment.epoch == self.epoch:
                moment = self._live(moment.first_s, now_s, stat)
            else:  # it was there before us, and somebody writes it anew
                moment = self._live(now_s, now_s, stat)
            self._frames[name] = _Frame(stat=stat, moment=moment, settled_since_s=now_s)
        else:
            frame.missing_since_s = None
            frame.n_looks += 1

    def _moment(self, name: str, stat: Stat, now_s: float) -> Moment:
        known_stat, moment = self.known.get(name, (None, None))
        if moment is not None and known_stat == stat:
            return moment
        if self._is_first_look:
            written_s = stat[1] / _NS
            return Moment(
                epoch=self.epoch - 1,
                first_s=written_s,
                last_s=written_s,
                written_s=written_s,
            )
        return self._live(now_s, now_s, stat)

    def _live(self, first_s: float, last_s: float, stat: Stat) -> Moment:
        return Moment(
            epoch=self.epoch, first_s=first_s, last_s=last_s, written_s=stat[1] / _NS
        )

    def _miss(self, listing: Listing, now_s: float) -> None:
        """Forget what is gone, once that is sure."""
        for name, frame in list(self._frames.items()):
            if name in listing.files or _is_under(name, listing.unknown):
                continue
            self.n_changes += 1
            if frame.missing_since_s is None:
                frame.missing_since_s = now_s
            elif now_s - frame.missing_since_s >= self.watch.settle_s:
                self._keep_closing(name, frame)
                del self._frames[name]

    def _is_due(self, name: str, frame: _Frame, now_s: float) -> bool:
        if frame.missing_since_s is not None or frame.n_looks < _MIN_LOOKS:
            return False
        if frame.state == "lacking":
            return now_s >= frame.look_again_s
        if frame.state == "arriving":
            if now_s - frame.settled_since_s < self.watch.settle_s:
                return False
            frame.state = "still"
        return frame.state == "still" and not is_marker(name, self.watch.close_on)

    def _markers(self) -> Iterator[Closing]:
        for name, frame in self._frames.items():
            if is_marker(name, self.watch.close_on):
                yield self._closing(name, frame)

    def _keep_closing(self, name: str, frame: _Frame) -> None:
        """Remember what a marker has closed that is deleted, or written anew."""
        if is_marker(name, self.watch.close_on):
            self._close(self._closing(name, frame))

    def _closing(self, name: str, frame: _Frame) -> Closing:
        moment = replace(frame.moment, first_s=frame.moment.last_s)
        return Closing(moment=moment, folder=folder_of(name))

    def _close(self, closing: Closing) -> None:
        self.n_changes += 1
        self._closings = [*self._closings, closing][-_MAX_CLOSINGS:]

    # Brackets -----------------------------------------------------------------

    def _candidate(self, group: FrameGroup, now_s: float) -> Candidate:
        frames = [self._frames[s.name] for s in group.frames]
        companions = self._companions(group)
        pending = [n for n, f in companions if not self._is_given_up(f, now_s)]
        left_behind = tuple(
            f"{PurePosixPath(n).name} {f.lacking}"
            for n, f in companions
            if n not in pending
        )
        waits_for = ""
        quiet_s = now_s - max(f.settled_since_s for f in frames)
        if pending:
            waits_for = "incomplete: " + ", ".join(
                PurePosixPath(n).name for n in pending
            )
        elif any(f.missing_since_s is not None for f in frames):
            waits_for = "a frame that has vanished just now"
        elif len(frames) < 2:
            waits_for = _SECOND
        elif group.closed is None and quiet_s < self.group.gap_s:
            waits_for = "further frames"
        return Candidate(
            group=group,
            stats=tuple(f.stat for f in frames),
            is_complete=not waits_for,
            waits_for=waits_for,
            left_behind=left_behind,
            is_ripening=bool(waits_for) and waits_for != _SECOND,
        )

    def _companions(self, group: FrameGroup) -> list[tuple[str, _Frame]]:
        """Files beside the frames of a bracket that are not whole yet.

        Only a bracket that is not fused waits for them, and one that was closed only
        for those that came before.
        """
        if all(s.fused_in is not None for s in group.frames):
            return []
        return [
            (name, frame)
            for name, frame in self._frames.items()
            if frame.state != "whole"
            and not is_marker(name, self.watch.close_on)
            and not (group.closed and group.closed.is_before(frame.moment))
            and _may_belong(name, [s.name for s in group.frames])
        ]

    def _is_given_up(self, frame: _Frame, now_s: float) -> bool:
        if frame.state != "lacking":
            return False
        return now_s - frame.settled_since_s >= self.watch.patience_s


def is_marker(name: str, pattern: str | None) -> bool:
    """Tell whether a file of this name closes a bracket."""
    return pattern is not None and fnmatchcase(PurePosixPath(name).name, pattern)


def _may_belong(name: str, members: Sequence[str]) -> bool:
    """Tell whether a file of unknown content may be a frame among these, by its name."""
    path, first = PurePosixPath(name), PurePosixPath(members[0])
    if (path.parent, path.suffix.lower()) != (first.parent, first.suffix.lower()):
        return False
    series = [series_and_number(m) for m in members]
    words, number = series_and_number(name)
    if {w for w, _ in series} != {words}:
        return len({w for w, _ in series}) > 1  # names that stand alone
    numbers = [n for _, n in series if n is not None]
    if number is None or not numbers:
        return True
    return min(numbers) - 1 <= number <= max(numbers) + 1


def _is_under(name: str, folders: Collection[str]) -> bool:
    return any(name.startswith(f"{folder}/") for folder in folders)
