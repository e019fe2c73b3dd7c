"""A pretended studio: frames arrive as cameras and shares deliver them, and are watched.

The watch is a real process. `benchmarks.reliability` is made of this.
"""

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import tifffile

from benchmarks.localcluster import environment
from stacker.files.whole import examine

SAMPLE = Path(__file__).parents[1] / "sample_data"
NOON = datetime(2026, 5, 1, 12, 0, 0)
OUTPUTS = (
    *(".tif", ".depth.tif", ".confidence.tif", ".coverage.tif"),
    *(".report.json", ".report.html"),
)
_DATE_TIME = 306  # TIFF 6.0
_QUICK = ("--gap", "1", "--settle", "0.2", "--every", "0.1", "--threads", "1")
_BLOCK = 4096  # copies advance by blocks
_LAST_TO_END_S = 120.0  # on a busy machine


@cache
def _crop(k: int, side: int) -> npt.NDArray[np.uint16]:
    """Frame `k` of a place in the sample that registers at any size."""
    frame = tifffile.imread(SAMPLE / f"spice_shelf_0{1 + k % 9}.tif")
    rows, columns = slice(150, 150 + side), slice(200, 200 + side * 3 // 2)
    return np.ascontiguousarray(frame[rows, columns])


def frame_bytes(k: int, mark: int, *, side: int, taken: datetime | None) -> bytes:
    """File of frame `k` of bracket `mark`; the two are in its first pixels."""
    pixels = _crop(k, side).copy()
    pixels[0, 0] = (k, mark % 65536, mark // 65536)
    tags = [(_DATE_TIME, 2, 20, f"{taken:%Y:%m:%d %H:%M:%S}", True)] if taken else []
    file = BytesIO()
    tifffile.imwrite(file, pixels, photometric="rgb", metadata=None, extratags=tags)
    return file.getvalue()


@dataclass(frozen=True, slots=True)
class Shot:
    """A bracket to be written: name and content of each frame, in depth order."""

    name: str
    frames: dict[str, bytes]


def shoot(
    number: int, n_frames: int, *, kind: str, side: int = 64, first: int = 1
) -> Shot:
    """Make a bracket.

    Parameters
    ----------
    number : int
        Of the bracket: marks its frames.
    n_frames : int
        How many.
    kind : str
        "timed": in the folder itself, frame numbers run on from bracket to bracket and
        only times of capture tell them apart; "folder": in one of its own, without
        times; "bare": numbers run on and nothing else is known.
    side : int
        Height of the frames in pixels.
    first : int
        Number of the first frame.
    """
    frames, names = {}, []
    for k in range(n_frames):
        name = f"{'T' if kind == 'timed' else 'B'}_{first + k:05}.tif"
        if kind == "folder":
            name = f"shot {number:03}/f{k:02}.tif"
        names.append(name)
        at = NOON + timedelta(minutes=5 * number, seconds=2 * k)
        taken = at if kind == "timed" else None
        frames[name] = frame_bytes(k, number, side=side, taken=taken)
    return Shot(name=Path(names[0]).stem, frames=frames)


def write_in_pieces(
    path: Path, data: bytes, how: str, rng: random.Random, longest_pause_s: float
) -> None:
    """Write a file as copying programs do.

    Parameters
    ----------
    path : Path
        Where it shall be in the end.
    data : bytes
        Its content.
    how : str
        "plain": it grows; "allocated": its full length at once, zeros first;
        "renamed": under another name, then renamed; "whole": at once.
    rng : Random
        For sizes and pauses.
    longest_pause_s : float
        Between two pieces.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    target = path.with_name(f"{path.name}.part") if how == "renamed" else path
    with target.open("wb", buffering=0) as file:
        if how == "allocated":
            file.truncate(len(data))
        at = 0
        while at < len(data):
            n_blocks = rng.randint(1, 4 + len(data) // _BLOCK // 2)
            size = len(data) if how == "whole" else n_blocks * _BLOCK
            file.write(data[at : at + size])
            at += size
            if how != "whole":
                time.sleep(rng.random() * longest_pause_s)
    if how == "renamed":
        target.rename(path)


@dataclass(slots=True)
class Studio:
    """A hot folder, its results, and the process that watches.

    Parameters
    ----------
    work : Path
        An empty folder for everything.
    options : sequence of str
        For `stacker watch`, after the quick ones.
    prefix : sequence of str
        Command that the watch is run by.
    """

    work: Path
    options: Sequence[str] = ()
    prefix: Sequence[str] = ()
    process: subprocess.Popen[bytes] | None = None
    sources: dict[str, str] = field(default_factory=dict)
    expected: dict[str, list[str]] = field(default_factory=dict)
    checked: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)

    @property
    def folder(self) -> Path:
        """Where frames arrive."""
        return self.work / "in"

    @property
    def results(self) -> Path:
        """Where results go."""
        return self.work / "out"

    @property
    def log(self) -> str:
        """All that the watch has said."""
        return (self.work / "log").read_text("utf-8", "replace")

    # Frames -----------------------------------------------------------------------

    def expect(self, shot: Shot) -> None:
        """Remember what a bracket shall become."""
        first = next(iter(shot.frames))
        place = Path(first).parent.name or self.folder.name
        names = [str(self.folder / name) for name in shot.frames]
        self.expected[f"{place}_{Path(first).stem}"] = names
        for name, data in shot.frames.items():
            self.sources[name] = hashlib.sha256(data).hexdigest()

    def put(self, shot: Shot) -> None:
        """Write a bracket at once."""
        self.expect(shot)
        for name, data in shot.frames.items():
            path = self.folder / name
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(data)

    # The process --------------------------------------------------------------------

    def start(self) -> None:
        """Start watching."""
        with (self.work / "log").open("ab") as log:
            self.process = subprocess.Popen(  # noqa: S603  our own words
                [
                    *(*self.prefix, sys.executable, "-m", "stacker"),
                    *("watch", str(self.folder)),
                    *("--into", str(self.results), *_QUICK, *self.options),
                ],
                env=environment(self.work / "state"),
                stdout=log,
                stderr=log,
            )

    def kill(self) -> None:
        """End the watch as a power cut does."""
        self._end(signal.SIGKILL)

    def stop(self) -> int:
        """End the watch as a service manager does; its exit status."""
        return self._end(signal.SIGTERM)

    def _end(self, number: signal.Signals) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        status = self.process.wait(_LAST_TO_END_S)
        self.process = None
        return status

    def status(self) -> dict[str, Any]:
        """Ask `stacker status --json`; before there is a journal it knows nothing."""
        told = subprocess.run(  # noqa: S603
            [
                *(sys.executable, "-m", "stacker", "status", str(self.folder)),
                "--json",
            ],
            env=environment(self.work / "state"),
            capture_output=True,
            check=False,
        )
        answer: dict[str, Any] = {"brackets": [], "counts": {}}
        return json.loads(told.stdout) if told.returncode == 0 else answer

    def made(self) -> set[str]:
        """Names of the masters that are there."""
        inner = (".depth.tif", ".confidence.tif", ".coverage.tif")
        names = (p.name for p in self.results.glob("*.tif"))
        return {n.removesuffix(".tif") for n in names if not n.endswith(inner)}

    def wait(self, seconds: float, condition: Callable[[], bool] | None = None) -> bool:
        """Wait until all that is expected is made, or something else is so.

        Gives up when nothing has been made for so many seconds.
        """
        ready = condition or (lambda: self.made() >= self.expected.keys())
        n_made, end = -1, 0.0
        while not ready():
            if len(self.made()) != n_made:
                n_made, end = len(self.made()), time.monotonic() + seconds
            elif time.monotonic() > end:
                return False
            time.sleep(0.1)
        return True

    # What came of it ------------------------------------------------------------------

    def broken_outputs(self) -> list[str]:
        """Files under their final names that are not whole; each is looked at once."""
        broken = []
        for path in self.results.rglob("*"):
            stat = path.stat()
            known = (stat.st_size, stat.st_mtime_ns)
            parts = path.relative_to(self.results).parts
            is_hidden = any(part.startswith(".") for part in parts)
            if is_hidden or not path.is_file() or self.checked.get(path) == known:
                continue
            self.checked[path] = known
            if not _is_whole(path):
                broken.append(str(path))
        return broken

    def faults(self) -> dict[str, int]:
        """Count all that must not have happened, once everything is at rest."""
        made = self.made()
        mixed = half = 0
        for name, frames in self.expected.items():
            files = [self.results / f"{name}{suffix}" for suffix in OUTPUTS]
            if name in made:
                half += not all(file.exists() for file in files)
                record = json.loads(files[4].read_text("utf-8"))
                mixed += [f["file"] for f in record["frames"]] != frames
        states = [b["state"] for b in self.status()["brackets"]]
        return {
            "lost": len(self.expected.keys() - made),
            "more_than_once_or_unexpected": len(made - self.expected.keys()),
            "mixed": mixed,
            "half_written": half + len(self.broken_outputs()),
            "not_done_in_journal": len(states) - states.count("done"),
            "brackets_in_journal_too_many": len(states) - len(self.expected),
            "temporary_files_left": sum(
                path.name.startswith(".") for path in self.results.rglob("*")
            ),
            "sources_changed": sum(
                hashlib.sha256((self.folder / name).read_bytes()).hexdigest() != digest
                for name, digest in self.sources.items()
            ),
            "processes_left": self.n_processes_left(),
        }

    def n_processes_left(self) -> int:
        """Count processes that do not end by themselves soon after the watch.

        Multiprocessing's tracker of resources sees only then that nobody needs it.
        """
        self.wait(_LAST_TO_END_S, lambda: not self.processes())
        return len(self.processes())

    def processes(self) -> list[int]:
        """Find processes of this studio by the state folder that they were given."""
        mark = os.fsencode(f"XDG_STATE_HOME={self.work / 'state'}")
        found = []
        for place in Path("/proc").glob("[0-9]*"):
            try:
                if mark in (place / "environ").read_bytes().split(b"\0"):
                    found.append(int(place.name))
            except OSError:  # gone, or another user's
                continue
        return found


def _is_whole(path: Path) -> bool:
    if path.suffix == ".json":
        try:
            json.loads(path.read_text("utf-8"))
        except ValueError:
            return False
        return True
    if path.suffix == ".html":
        return path.read_text("utf-8").endswith("</html>")
    found = examine(path, max_pixels=10**9)
    return not found.lacking
