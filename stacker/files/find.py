"""From what the user names to the list of a bracket's files in order."""

import glob
import os
from collections.abc import Iterator, Sequence
from os import PathLike, fspath
from pathlib import Path
from typing import Literal

from stacker.bracket import natural_key, order_by_capture
from stacker.errors import BracketError, FrameReadError
from stacker.files.boundary import reading
from stacker.files.header import read_capture_facts
from stacker.files.kinds import FRAME_SUFFIXES, is_frame_name

__all__ = ["find_frames", "frame_names", "list_frames"]

_RESULT_MIDDLES = (".depth", ".confidence", ".coverage")  # NAME.depth.tif, ...
_RECORD_SUFFIX = ".report.json"

# Two files of one size are compared at this many places before they are compared
# whole: uncompressed frames all have one size, and reading all of them costs minutes.
_N_PROBES, _PROBE_BYTES = 8, 4096
_COMPARE_BYTES = 4 << 20


def find_frames(
    inputs: Sequence[str | PathLike[str]],
    *,
    order: Literal["name", "captured"] = "name",
) -> list[Path]:
    """Files of one bracket, in depth order.

    Parameters
    ----------
    inputs : sequence of paths
        A folder (its frames in natural order of their names; results of earlier
        fusions, hidden and unfinished files are passed over), a glob pattern (natural
        order), or files (as given). Several of them follow one another.
    order : str
        "name" for the above, "captured" for time of capture, whatever was named.

    Returns
    -------
    list of Path
        At least two, as given: relative stays relative.

    Raises
    ------
    BracketError
        Nothing found, only one frame, a file named twice or found in two copies,
        frames of several formats in one folder, or no time of capture to order by.
    FrameReadError
        A file that was named does not exist, or cannot be read.
    """
    paths = list_frames(inputs, order=order)
    if len(paths) == 1:
        msg = f"{paths[0]}: a bracket needs at least two frames, found only this one"
        raise BracketError(msg, names=(str(paths[0]),))
    _refuse_copies(paths)
    return paths


def list_frames(
    inputs: Sequence[str | PathLike[str]],
    *,
    order: Literal["name", "captured"] = "name",
) -> list[Path]:
    """As `find_frames`, but a single frame and copies of frames are listed too.

    Raises
    ------
    BracketError, FrameReadError
        As `find_frames`.
    """
    paths: list[Path] = []
    for given in inputs:
        paths.extend(_expand(Path(given)))
    if not paths:
        where = ", ".join(fspath(i) for i in inputs) or "nothing was named"
        msg = f"no frames found: {where} (looked for {_known_suffixes()})"
        raise BracketError(msg)
    _refuse_named_twice(paths)
    if order == "captured":
        times = [read_capture_facts(p).captured for p in paths]
        paths = [paths[i] for i in order_by_capture([str(p) for p in paths], times)]
    return paths


def _known_suffixes() -> str:
    plain = sorted(s for s, kind in FRAME_SUFFIXES.items() if kind != "raw")
    return ", ".join([*plain, "camera raw"])


def _expand(given: Path) -> Iterator[Path]:
    if given.is_dir():
        yield from _frames_in(given)
    elif given.exists():
        yield given
    elif glob.has_magic(str(given)):
        matches = [Path(m) for m in glob.glob(str(given))]  # noqa: PTH207
        kept = [m for m in matches if is_frame_name(m) and m.is_file()]
        yield from sorted(kept, key=lambda p: natural_key(str(p)))
    else:
        raise FrameReadError(given, "no such file or folder")


def frame_names(names: Sequence[str]) -> list[str]:
    """Of the names in one folder, those of frames: no results of earlier fusions.

    Examples
    --------
    >>> frame_names(["a1.tif", "cup.tif", "cup.depth.tif", "cup.report.json", ".b.tif"])
    ['a1.tif']
    """
    records = {n[: -len(_RECORD_SUFFIX)] for n in names if n.endswith(_RECORD_SUFFIX)}
    return [
        name
        for name in names
        if is_frame_name(name)
        and Path(name).stem not in records
        and not Path(name).stem.endswith(_RESULT_MIDDLES)
    ]


def _frames_in(folder: Path) -> list[Path]:
    with reading(folder):
        names = sorted(os.listdir(folder), key=natural_key)  # noqa: PTH208
    frames = [folder / n for n in frame_names(names) if (folder / n).is_file()]
    kinds = {FRAME_SUFFIXES[f.suffix.lower()]: f for f in reversed(frames)}
    if len(kinds) > 1:
        examples = " and ".join(sorted(f.name for f in kinds.values()))
        msg = (
            f"{folder}: holds frames of several formats ({examples}): "
            "name one kind, with a pattern such as *.tif"
        )
        raise BracketError(msg, names=tuple(str(f) for f in kinds.values()))
    return frames


def _refuse_named_twice(paths: Sequence[Path]) -> None:
    seen: dict[Path, Path] = {}
    for path in paths:
        with reading(path):
            real = path.resolve()
        if real in seen:
            msg = f"{path}: the same file as {seen[real]}, name every frame once"
            raise BracketError(msg, names=(str(seen[real]), str(path)))
        seen[real] = path


def _refuse_copies(paths: Sequence[Path]) -> None:
    seen: dict[tuple[int, bytes], list[Path]] = {}
    for path in paths:
        with reading(path):
            key = _probe(path)
        for other in seen.get(key, []):
            if _same_content(path, other):
                msg = (
                    f"{path}: a copy of {other}, byte for byte; "
                    "leave one of the two out"
                )
                raise BracketError(msg, names=(str(other), str(path)))
        seen.setdefault(key, []).append(path)


def _probe(path: Path) -> tuple[int, bytes]:
    """Size of a file and some of its bytes, spread over it."""
    size = path.stat().st_size
    step = max(1, (size - _PROBE_BYTES) // (_N_PROBES - 1))
    parts = []
    with path.open("rb", buffering=0) as file:
        for at in range(0, max(1, size - _PROBE_BYTES + 1), step):
            file.seek(at)
            parts.append(file.read(_PROBE_BYTES))
    return size, b"".join(parts)


def _same_content(one: Path, other: Path) -> bool:
    with reading(one), one.open("rb") as a, other.open("rb") as b:
        while block := a.read(_COMPARE_BYTES):
            if block != b.read(_COMPARE_BYTES):
                return False
    return True
