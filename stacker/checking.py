"""Files in, verdict out: tells whether a bracket is complete.

`check_bracket` looks at all frames once; `follow_bracket` looks at a folder while it
fills and answers after every frame. Beside the pipeline this is the only room that sees
both files and computing.
"""

import time
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import count, islice
from os import PathLike
from pathlib import Path

from stacker import _opencv
from stacker.errors import BracketError, FrameReadError
from stacker.events import Event, OnEvent, ignore_event
from stacker.files import FileSource, list_frames, transfer_table
from stacker.files.colour import profile_name
from stacker.files.header import read_header
from stacker.files.single import write_whole
from stacker.frame import Finding, FrameInfo
from stacker.inspection import (
    Reading,
    Verdict,
    give_verdict,
    inspect_reading,
    read_facts,
    worst_first,
)
from stacker.inspection.advice import frames_named
from stacker.report.check_page import render_check_page
from stacker.report.check_record import CheckFacts, build_check_record
from stacker.report.record import Record
from stacker.roster import Look, Roster
from stacker.settings import CheckSettings, ReadSettings

__all__ = ["BracketCheck", "CheckReport", "check_bracket", "follow_bracket"]

# Most decoders use one core: two frames at once keep two busy. A raw frame takes a
# gigabyte to develop.
FRAMES_AHEAD, RAW_AHEAD = 2, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """What a check found.

    Attributes
    ----------
    verdict : Verdict
        One line.
    findings : tuple of Finding
        Worst first; regions in pixels of the first frame.
    record : dict
        All of it for programs, ready for JSON.
    is_complete : bool
        Nothing is left to be shot or looked at, and as far as is known no frame is to
        come.
    """

    verdict: Verdict
    findings: tuple[Finding, ...]
    record: Record = field(repr=False)
    is_complete: bool
    _reading: Reading = field(repr=False)

    @property
    def needs_a_look(self) -> bool:
        """True where a person should look at the bracket, or shoot again."""
        return self.verdict.level != "good"

    def page(self) -> str:
        """Lay out the report for people: one HTML page that needs nothing beside it."""
        return render_check_page(self.record, self._reading)

    def write_page(self, path: str | PathLike[str], *, overwrite: bool = False) -> None:
        """Write `page` to a file, whole or not at all.

        Raises
        ------
        OutputExistsError, OutputError
            The file is there already, or cannot be written.
        """
        write_whole(path, self.page().encode("utf-8"), overwrite=overwrite)


def check_bracket(
    inputs: Sequence[str | PathLike[str]],
    *,
    read: ReadSettings | None = None,
    settings: CheckSettings | None = None,
    on_event: OnEvent = ignore_event,
) -> CheckReport:
    """Tell whether a bracket is complete and without faults.

    Parameters
    ----------
    inputs : sequence of paths
        A folder, a pattern, or the files in depth order (either direction).
    read, settings : settings objects, optional
        How to read and what to expect; defaults where left out.
    on_event : callable
        Receives progress. It may raise to stop the work.

    Returns
    -------
    CheckReport

    Raises
    ------
    FrameReadError, BracketError
        Files that cannot be read, or fewer than two.

    Notes
    -----
    Of uncompressed TIFF frames about a third is read: 0.1 s for 100 megapixels on two
    cores. Others are decoded whole; two are in memory at once.
    """
    check = BracketCheck(read, settings)
    paths = list_frames(inputs, order=check.read.order)
    if len(paths) == 1:
        msg = f"{paths[0]}: a bracket needs at least two frames, found only this one"
        raise BracketError(msg, names=(str(paths[0]),))
    check.take(paths, on_event=on_event)
    return check.judge()


def follow_bracket(
    inputs: Sequence[str | PathLike[str]],
    *,
    read: ReadSettings | None = None,
    settings: CheckSettings | None = None,
    on_event: OnEvent = ignore_event,
) -> Iterator[CheckReport]:
    """Check a bracket while it is being shot, again after every frame.

    Parameters
    ----------
    inputs, read, settings, on_event
        As for `check_bracket`; what was named may still be empty.

    Yields
    ------
    CheckReport
        From the second frame on; the last one is complete. Never ends while the bracket
        is not: stop by leaving the loop.
    """
    check = BracketCheck(read, settings)
    seen: dict[Path, tuple[int, int]] = {}
    for look in count():
        if look:
            time.sleep(check.settings.look_s)
        before, seen = seen, _stats(inputs, check.read)
        settled = [p for p, stat in seen.items() if before.get(p) == stat]
        if len(settled) < 2 or settled == check.paths:
            continue
        try:
            check.take(settled, on_event=on_event)
        except FrameReadError:  # still being written: settled for a moment only
            continue
        report = check.judge()
        yield report
        if report.is_complete:
            return


def _stats(
    inputs: Sequence[str | PathLike[str]], read: ReadSettings
) -> dict[Path, tuple[int, int]]:
    """Size and time of every frame that is there, in order."""
    try:
        paths = list_frames(inputs, order=read.order)
    except (BracketError, FrameReadError):  # nothing there yet, or not readable yet
        return {}
    stats = {}
    for path in paths:
        try:
            found = path.stat()
        except OSError:
            continue
        stats[path] = (found.st_size, found.st_mtime_ns)
    return stats


class BracketCheck:
    """A check that frames can be added to.

    Parameters
    ----------
    read, settings : settings objects, optional
        As for `check_bracket`.
    """

    def __init__(
        self, read: ReadSettings | None = None, settings: CheckSettings | None = None
    ) -> None:
        read = read or ReadSettings()
        # Not of the middle frame, which becomes another one as frames come in.
        if read.white_balance == "camera":
            read = replace(read, white_balance="daylight")
        self.read = read
        self.settings = settings or CheckSettings()
        self.paths: list[Path] = []
        self._started_s = time.perf_counter()
        self._infos: list[FrameInfo] = []
        self._kind: object = None
        self._usual: FrameInfo | None = None
        self._roster: Roster | None = None
        self._is_taken: set[int] = set()

    def take(self, paths: Sequence[Path], *, on_event: OnEvent = ignore_event) -> None:
        """Look at the frames in `paths` that were not looked at before.

        Parameters
        ----------
        paths : sequence of Path
            All frames of the bracket so far, in order.
        on_event : callable
            Receives progress.

        Raises
        ------
        FrameReadError
            A file cannot be read.
        BracketError
            No two frames are of one kind.
        """
        headers = [read_header(p, max_pixels=self.read.max_pixels) for p in paths]
        infos = [h.info for h in headers]
        kind, n_alike = Counter(_kind(i) for i in infos).most_common(1)[0]
        if n_alike < 2:
            msg = (
                "no two frames are alike in size, bit depth and colour: check a bracket"
            )
            raise BracketError(msg, names=tuple(str(p) for p in paths))
        alike = [k for k, info in enumerate(infos) if _kind(info) == kind]
        source = FileSource([paths[k] for k in alike], self.read)
        for place, k in enumerate(alike):
            infos[k] = source.infos[place]
        first = source.infos[0]
        for k, header in enumerate(headers):  # raw frames are all developed alike
            if header.raw is not None:
                infos[k] = replace(infos[k], icc_profile=first.icc_profile)
        if list(paths[: len(self.paths)]) != self.paths or kind != self._kind:
            self._roster = None  # frames came in between: numbers have changed
        if self._roster is None:
            table = transfer_table(first.icc_profile, first.n_channels).table
            shape = (first.height, first.width)
            self._roster = Roster(shape, table)
            self._is_taken = set()
        new = [(place, k) for place, k in enumerate(alike) if k not in self._is_taken]
        n_ahead = RAW_AHEAD if headers[0].raw is not None else FRAMES_AHEAD
        looks = _looks(source, self._roster, new, n_ahead)
        with _opencv.single_threaded():  # the cores are busy with frames ahead
            n_before = len(self._is_taken)
            for k, look in looks:
                self._roster.add(k, look)
                del look  # its memory is for the next frame
                self._is_taken.add(k)
                done, name = len(self._is_taken) - n_before, infos[k].name
                on_event(
                    Event(stage="measure", done=done, total=len(new), message=name)
                )
        self.paths, self._infos, self._kind = list(paths), infos, kind
        self._usual = first

    def judge(self) -> CheckReport:
        """Judge the frames taken so far."""
        if self._roster is None or self._usual is None:
            msg = "there are no frames to judge yet"
            raise BracketError(msg)
        with _opencv.single_threaded():
            reading = read_facts(self._roster.facts(), self._infos)
            found = inspect_reading(reading)
        odd = _odd_frames(self._infos, self._usual)
        findings = worst_first((*odd, *self._too_few(), *found))
        n_frames = len(self._infos)
        verdict = give_verdict(findings, n_frames)
        is_known = reading.width is not None and n_frames > 2
        # What lies far beyond the last frame may be meant to stay soft, or be next.
        if self.settings.frames is None:
            is_known &= all(f.code != "soft_beyond_last" for f in findings)
        record = build_check_record(
            CheckFacts(
                created=datetime.now().astimezone(),
                infos=self._infos,
                reading=reading,
                findings=findings,
                verdict=verdict,
                total_s=time.perf_counter() - self._started_s,
            )
        )
        return CheckReport(
            verdict=verdict,
            findings=findings,
            record=record,
            is_complete=verdict.level == "good" and is_known,
            _reading=reading,
        )

    def _too_few(self) -> list[Finding]:
        wanted = self.settings.frames
        missing = 0 if wanted is None else wanted - len(self._infos)
        if missing <= 0:
            return []
        return [
            Finding(
                code="too_few_frames",
                message=f"{len(self._infos)} of the {wanted} frames planned are there.",
                severity="look",
                action=f"Shoot {missing} more.",
            )
        ]


def _looks(
    source: FileSource,
    roster: Roster,
    frames: Sequence[tuple[int, int]],
    n_ahead: int,
) -> Iterator[tuple[int, Look]]:
    """Look at frames (place in the source, number), ahead of the work on them."""

    def look(place: int) -> Look:
        return roster.look(source.view(place))

    rest = iter(frames)
    with ThreadPoolExecutor(n_ahead) as pool:
        waiting = deque((k, pool.submit(look, at)) for at, k in islice(rest, n_ahead))
        while waiting:
            number, ahead = waiting.popleft()
            done = ahead.result()
            yield number, done
            del ahead, done  # their memory is for the next frame
            waiting.extend((k, pool.submit(look, at)) for at, k in islice(rest, 1))
    source.rest()


def _kind(info: FrameInfo) -> tuple[int, int, int, int, bytes | None]:
    """Name what all frames of a bracket have in common."""
    return (
        *(info.width, info.height, info.n_channels, info.bit_depth),
        info.icc_profile,
    )


def _odd_frames(infos: Sequence[FrameInfo], usual: FrameInfo) -> list[Finding]:
    """Tell of frames of another size, depth, colour or profile than most."""
    ways = (
        ("mixed_size", lambda i: f"{i.width} x {i.height} pixels"),
        ("mixed_depth", lambda i: f"{i.bit_depth} bit"),
        ("mixed_colour", lambda i: "grey" if i.n_channels == 1 else "RGB"),
        ("mixed_profile", _profile),
    )
    found = []
    for code, fact in ways:
        odd = tuple(k for k, info in enumerate(infos) if fact(info) != fact(usual))
        if not odd:
            continue
        theirs = ", ".join(sorted({fact(infos[k]) for k in odd}))
        is_one = len(odd) == 1
        found.append(
            Finding(
                code=code,
                message=f"{'Frame' if is_one else 'Frames'} {frames_named(odd)} "
                f"{'is' if is_one else 'are'} of another kind: {theirs} instead of "
                f"{fact(usual)}.",
                severity="look",
                frames=odd,
                action="Take them out, or develop all frames alike; the others were "
                "judged without them.",
            )
        )
    return found


def _profile(info: FrameInfo) -> str:
    if info.icc_profile is None:
        return "no colour profile"
    return f'colour profile "{profile_name(info.icc_profile)}"'
