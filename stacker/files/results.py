"""The files of one fusion, written whole or not at all.

`Results` refuses before the work starts, keeps everything in a hidden folder beside the
target while it is written, and moves the files to their names together at the end.
"""

import contextlib
import hashlib
import logging
import os
import shutil
import socket
import tempfile
from collections.abc import Iterator, Sequence
from os import PathLike
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import numpy.typing as npt
from filelock import FileLock, Timeout

from stacker.errors import FrameReadError, OutputError, OutputExistsError
from stacker.files.boundary import one_line
from stacker.files.carry import Merge, carried
from stacker.files.embed import (
    check_jpegxl_profile,
    write_jpeg,
    write_jpegxl,
    write_png,
)
from stacker.files.metadata import Metadata, read_metadata
from stacker.files.tiffwrite import as_bits, write_tiff
from stacker.frame import Pixels
from stacker.settings import OutputSettings

__all__ = ["Results", "clear_leftovers"]

_log = logging.getLogger(__name__)

_MASTER_SUFFIXES = (".tif", ".tiff", ".png", ".jxl")
_DEPTH, _CONFIDENCE, _COVERAGE = ".depth.tif", ".confidence.tif", ".coverage.tif"
_PREVIEW, _TILES, _CLOUD = ".preview.jpg", ".tiles", ".ply"
_FOLDERS = (_TILES, ".handoff")
_TEXTS = (".report.json", ".report.html")

# The hidden folder's name begins with this and a fingerprint of the machine, so that
# only the machine that left it behind clears it away.
_HIDDEN_PREFIX = ".stacker-"
_LOCK_NAME = "in-use"
_MAX_TRIES = 3


class Results:
    """All files of one fusion; use it in a ``with`` block and end with `commit`.

    Leaving the block without `commit`, by an exception or an interrupt, removes all
    that was written. The constructor makes every check that can be made before the
    work, so that nobody waits an hour for a refusal.

    Parameters
    ----------
    master : path
        The master's name, DIR/NAME.tif (or .png, .jxl); the other files are named
        after it.
    settings : OutputSettings
        How to write.
    inputs : sequence of paths
        The frames: none of them is overwritten, whatever the settings say, and their
        colour profile must be one that the master's format can hold.
    threads : int
        For packing; 0 = one per core.
    only : sequence of str, optional
        Suffixes of the files that will be written, "" for the master, where it is not
        all of a fusion's.

    Raises
    ------
    OutputError
        No such folder, not writable, a name that cannot be used, a result that would
        replace a frame, or a colour profile that JPEG XL cannot keep.
    OutputExistsError
        A result is there already and `settings.overwrite` is off.
    """

    def __init__(
        self,
        master: str | PathLike[str],
        *,
        settings: OutputSettings | None = None,
        inputs: Sequence[str | PathLike[str]] = (),
        threads: int = 0,
        only: Sequence[str] | None = None,
    ) -> None:
        self._threads = threads
        self._only = only
        self._settings = settings or OutputSettings()
        self.master = Path(master)
        self._folder = self.master.parent
        if self.master.suffix.lower() not in _MASTER_SUFFIXES:
            msg = f"{self.master}: the master's name must end in " + " or ".join(
                _MASTER_SUFFIXES
            )
            raise OutputError(msg)
        self._check_names(inputs)
        if self.master.suffix.lower() == ".jxl" and inputs:
            with contextlib.suppress(FrameReadError):  # raw: its profile comes later
                profile = read_metadata(inputs[0]).icc_profile
                check_jpegxl_profile(profile, self.master)
        self._hidden, self._lock = _make_hidden(self._folder)
        self._written: list[str] = []

    def path(self, suffix: str) -> Path:
        """Tell the final path of the file with this suffix, ".depth.tif" for example."""
        return self._folder / (self.master.stem + suffix)

    def write_master(
        self, picture: npt.NDArray[np.uint16], metadata: Metadata, merge: Merge
    ) -> None:
        """Write the master with the reference frame's metadata, made true.

        Parameters
        ----------
        picture : (H, W) or (H, W, 3) uint16 array
            Not modified.
        metadata : Metadata
            Of the reference frame.
        merge : Merge
            For the history.

        Raises
        ------
        OutputError
            It cannot be written; so for all methods here.
        """
        settings = self._settings
        own = carried(
            metadata,
            merge,
            height=picture.shape[0],
            width=picture.shape[1],
            strip_gps=settings.strip_gps,
        )
        with self._writing(self.master.name) as path:
            samples = as_bits(picture, settings.bits)
            suffix = self.master.suffix.lower()
            if suffix == ".png":
                write_png(path, samples, own)
            elif suffix == ".jxl":
                write_jpegxl(path, samples, own)
            else:
                write_tiff(path, samples, own, settings, threads=self._threads)

    def write_depth(self, depth: npt.NDArray[np.uint16]) -> None:
        """Write NAME.depth.tif from an (H, W) uint16 array."""
        self._write_map(_DEPTH, depth)

    def write_confidence(self, confidence: npt.NDArray[np.uint8]) -> None:
        """Write NAME.confidence.tif from an (H, W) uint8 array."""
        self._write_map(_CONFIDENCE, confidence)

    def write_coverage(self, coverage: Pixels) -> None:
        """Write NAME.coverage.tif from an (H, W) uint8 or uint16 array."""
        self._write_map(_COVERAGE, coverage)

    def write_preview(self, srgb: npt.NDArray[np.uint8]) -> None:
        """Write NAME.preview.jpg from an (H, W, 3) uint8 sRGB array."""
        with self._writing(self.path(_PREVIEW).name) as path:
            write_jpeg(path, srgb)

    def write_text(self, suffix: str, text: str) -> None:
        """Write NAME + `suffix`, ".report.json" for example, in UTF-8."""
        with self._writing(self.path(suffix).name) as path:
            path.write_bytes(text.encode("utf-8", "surrogateescape"))

    @contextlib.contextmanager
    def writing(self, suffix: str) -> Iterator[Path]:
        """Give a hidden path for the file or folder NAME + `suffix`, to be written now.

        Raises
        ------
        OutputError
            An OSError was raised inside.
        """
        with self._writing(self.path(suffix).name) as path:
            yield path

    def commit(self) -> list[Path]:
        """Give all files their names, or none of them.

        Returns
        -------
        list of Path
            The files, in the order in which they were written.

        Raises
        ------
        OutputError
            A file cannot be put in place; those that were are taken back.
        """
        # The master last: who waits for it finds the others there.
        names = sorted(self._written, key=lambda n: n == self.master.name)
        done: list[str] = []
        try:
            for name in names:
                self._place(name)
                done.append(name)
        except BaseException as err:
            for name in done:
                self._take_back(name)
            self.discard()
            if isinstance(err, OSError) and not isinstance(err, OutputError):
                msg = f"{self.master}: cannot be put in place ({one_line(err)})"
                raise OutputError(msg) from err
            raise
        self.discard()
        return [self._folder / name for name in self._written]

    def discard(self) -> None:
        """Remove everything that has no final name yet."""
        self._lock.release()
        shutil.rmtree(self._hidden, ignore_errors=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.discard()

    def _write_map(self, suffix: str, values: Pixels) -> None:
        with self._writing(self.path(suffix).name) as path:
            write_tiff(path, values, Metadata(), self._settings, threads=self._threads)

    @contextlib.contextmanager
    def _writing(self, name: str) -> Iterator[Path]:
        try:
            yield self._hidden / name
        except OSError as err:
            msg = f"{self._folder / name}: cannot be written ({one_line(err)})"
            raise OutputError(msg) from err
        self._written.append(name)

    def _expected_names(self) -> list[str]:
        if self._only is not None:
            return [self.path(s).name if s else self.master.name for s in self._only]
        suffixes = [_DEPTH, _CONFIDENCE, _COVERAGE, *_TEXTS]
        extras = {
            _PREVIEW: self._settings.preview,
            _TILES: self._settings.page_tiles,
            _CLOUD: self._settings.ply,
        }
        suffixes += [suffix for suffix, is_wanted in extras.items() if is_wanted]
        return [self.master.name, *(self.path(s).name for s in suffixes)]

    def _check_names(self, inputs: Sequence[str | PathLike[str]]) -> None:
        if not self._folder.is_dir():
            what = "is not a folder" if self._folder.exists() else "no such folder"
            msg = f"{self._folder}: {what}, so no results can be written there"
            raise OutputError(msg)
        frames = [Path(i) for i in inputs]
        for name in self._expected_names():
            target = self._folder / name
            try:
                exists = _is_taken(target)
                clash = exists and any(
                    f.exists() and target.exists() and target.samefile(f)
                    for f in frames
                )
            except (OSError, ValueError) as err:
                msg = f"{target}: cannot be used as a name ({one_line(err)})"
                raise OutputError(msg) from err
            if clash:
                msg = f"{target}: is one of the frames, choose another output name"
                raise OutputError(msg)
            if exists and target.is_dir() and not name.endswith(_FOLDERS):
                msg = f"{target}: is a folder, choose another output name"
                raise OutputError(msg)
            if exists and not self._settings.overwrite:
                msg = f"{target}: exists already (overwriting was not asked for)"
                raise OutputExistsError(msg)

    def _place(self, name: str) -> None:
        target = self._folder / name
        if _is_taken(target):
            if not self._settings.overwrite:
                msg = f"{target}: has appeared while the work was done"
                raise OutputExistsError(msg)
            target.replace(self._hidden / f"old-{name}")
        try:
            (self._hidden / name).replace(target)
        except BaseException:
            self._take_back(name)
            raise

    def _take_back(self, name: str) -> None:
        """Undo `_place`: what was there before comes back."""
        target, old = self._folder / name, self._hidden / f"old-{name}"
        if not (self._hidden / name).exists():
            if target.is_dir():
                shutil.rmtree(target, ignore_errors=True)
            else:
                target.unlink(missing_ok=True)
        if old.exists():
            old.replace(target)


def _is_taken(path: Path) -> bool:
    """Tell whether anything has this name, a link to nowhere included."""
    try:
        path.lstat()
    except FileNotFoundError:
        return False
    return True


def clear_leftovers(folder: str | PathLike[str]) -> None:
    """Remove what runs on this machine that were killed have left in a folder.

    A run that is at work there keeps its files. Nothing is raised.
    """
    _clear_leftovers(Path(folder), _own_prefix())


def _own_prefix() -> str:
    machine = hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]
    return f"{_HIDDEN_PREFIX}{machine}-"


def _make_hidden(folder: Path) -> tuple[Path, FileLock]:
    """Make a hidden folder that is marked as in use as long as this process lives."""
    prefix = _own_prefix()
    _clear_leftovers(folder, prefix)
    problem: Exception | None = None
    for _ in range(_MAX_TRIES):
        try:
            hidden = Path(tempfile.mkdtemp(prefix=prefix, dir=folder))
        except OSError as err:
            msg = f"{folder}: not writable ({one_line(err)})"
            raise OutputError(msg) from err
        lock = FileLock(hidden / _LOCK_NAME, thread_local=False)
        try:
            lock.acquire(timeout=0)
        except (Timeout, OSError) as err:
            # Another run has taken the folder for a leftover before it was marked.
            problem = err
            shutil.rmtree(hidden, ignore_errors=True)
            continue
        if hidden.exists():
            return hidden, lock
        lock.release()
    msg = f"{folder}: files cannot be locked there ({problem})"
    raise OutputError(msg)


def _clear_leftovers(folder: Path, prefix: str) -> None:
    """Remove hidden folders of runs on this machine that were killed."""
    found: list[Path] = []
    # Not glob, which lists all: a folder may hold the results of years.
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        found = [Path(e.path) for e in entries if e.name.startswith(prefix)]
    for hidden in found:
        lock = FileLock(hidden / _LOCK_NAME, thread_local=False)
        try:
            lock.acquire(timeout=0)
        except (Timeout, OSError):
            continue  # at work
        _log.info("removing what an interrupted run left behind: %s", hidden)
        shutil.rmtree(hidden, ignore_errors=True)  # while nobody else can take it
        lock.release()
        shutil.rmtree(hidden, ignore_errors=True)  # Windows keeps a locked file
