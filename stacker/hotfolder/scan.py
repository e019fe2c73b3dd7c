"""One look at the folder: what is in it, and what could not be read.

The only truth about the folder: events of the file system do not tell of what another
machine writes to a share.
"""

import os
from dataclasses import replace
from fnmatch import fnmatchcase
from os import DirEntry
from pathlib import Path

from stacker.files.find import frame_names
from stacker.files.whole import examine
from stacker.hotfolder.observed import Listing, Look, Stat

__all__ = ["look_into", "scan", "stat_of"]


def scan(folder: Path, *, skipped: str | None, close_on: str | None) -> Listing:
    """List the frames and markers below a folder, links left aside.

    Parameters
    ----------
    folder : Path
        The hot folder.
    skipped : str or None
        A sub-folder that is not looked into: where the results go.
    close_on : str or None
        Pattern of the markers' names.

    Returns
    -------
    Listing
        What cannot be read is unknown; nothing is raised.
    """
    files: dict[str, Stat] = {}
    unknown: list[str] = []
    below = [""]
    while below:
        place = below.pop()
        try:
            found, folders = _list(folder, place, close_on)
        except OSError:
            unknown.append(place)
            continue
        files |= found
        below += [name for name in folders if name != skipped]
    return Listing(files=files, unknown=tuple(unknown))


def look_into(folder: Path, name: str, *, max_pixels: int) -> Look:
    """Look whether a file is whole, and what its header says."""
    found = examine(folder / name, max_pixels=max_pixels)
    # Profiles may be large, and are kept for as long as the file is there.
    info = None if found.info is None else replace(found.info, icc_profile=None)
    return Look(info=info, lacking=found.lacking, doubt=found.doubt)


def stat_of(path: str | Path) -> Stat | None:
    """Size and time of a file; None where there is none, or it cannot be told."""
    try:
        found = os.stat(path)  # noqa: PTH116
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _list(
    folder: Path, place: str, close_on: str | None
) -> tuple[dict[str, Stat], list[str]]:
    """Frames and sub-folders in one folder, by their path below the hot folder."""
    with os.scandir(folder / place) as listed:
        entries = {entry.name: entry for entry in listed if not entry.is_symlink()}
    frames = set(frame_names(list(entries)))
    files: dict[str, Stat] = {}
    folders: list[str] = []
    for entry in entries.values():
        name = f"{place}/{entry.name}" if place else entry.name
        if entry.is_dir(follow_symlinks=False):
            if not entry.name.startswith("."):
                folders.append(name)
            continue
        is_marker = close_on is not None and fnmatchcase(entry.name, close_on)
        if is_marker or entry.name in frames:
            stat = _stat(entry)
            if stat is not None and (is_marker or stat[0]):  # no empty frames
                files[name] = stat
    return files, folders


def _stat(entry: DirEntry[str]) -> Stat | None:
    try:
        found = entry.stat(follow_symlinks=False)
    except FileNotFoundError:  # gone since the folder was listed
        return None
    return found.st_size, found.st_mtime_ns
