"""The frames of a bracket in files: checked when named, decoded when asked for."""

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from os import PathLike, fspath

from stacker.buffers import FrameMemory
from stacker.errors import BracketError, FrameReadError
from stacker.files.colour import is_srgb, profile_name
from stacker.files.header import Header, decode, read_header
from stacker.files.makernotes import focus_distances_mm
from stacker.files.mapping import FileMaps
from stacker.files.metadata import Metadata, as_developed
from stacker.files.raw import Development, make_development
from stacker.files.view import tiff_view
from stacker.files.window import tiff_window
from stacker.frame import Box, FrameInfo, Pixels
from stacker.settings import ReadSettings

__all__ = ["FileSource"]

# Share of a frame's rows that may be zeros at its end while its neighbours' are not;
# more is taken for a copy that is not finished. Chosen: frames registered by other
# programs have black borders up to about this wide (breathing of 6 % in all).
_MAX_LONE_ZERO_TAIL = 1 / 32


_MAKER_NOTE = 37500  # Exif 3.0


class FileSource:
    """A bracket in files, as `stacker.frame.FrameSource`.

    Parameters
    ----------
    paths : sequence of paths
        In depth order, at least two; TIFF, PNG, JPEG or camera raw.
    settings : ReadSettings
        Limits, and how raw files are developed: all alike, with levels and white
        balance of the middle frame.
    threads : int
        For decoding; 0 = one per core.
    is_mapped : bool
        Give uncompressed frames where they lie in the system's cache, not copies of
        them. Whoever asks for that calls `rest` after the last one, before the results
        count.

    Raises
    ------
    BracketError
        Fewer than two frames, or frames that differ in size, bit depth, channel count
        or ICC profile.
    FrameReadError
        A file cannot be read, is incomplete or declares more pixels than allowed. Only
        headers are read here; damage further inside is found by `read`.
    """

    def __init__(
        self,
        paths: Sequence[str | PathLike[str]],
        settings: ReadSettings | None = None,
        *,
        threads: int = 0,
        is_mapped: bool = False,
    ) -> None:
        settings = settings or ReadSettings()
        if len(paths) < 2:
            msg = f"a bracket needs at least two frames, found {len(paths)}"
            raise BracketError(msg, names=tuple(fspath(p) for p in paths))
        self._headers = [read_header(p, max_pixels=settings.max_pixels) for p in paths]
        self._development = _development(self._headers, settings)
        self._infos = _with_noted_distances(
            self._headers, [self._info(h) for h in self._headers]
        )
        self._threads = threads or os.cpu_count() or 1
        self._memory = FrameMemory()
        self._views = FileMaps()
        self._maps = self._views if is_mapped else None
        _check_alike(self._infos)
        _check_tails(self._headers)

    @property
    def infos(self) -> Sequence[FrameInfo]:
        """One entry per frame, from the headers."""
        return self._infos

    def read(self, index: int) -> Pixels:
        """Decode frame `index`: upright, alpha dropped, C-contiguous.

        Raises
        ------
        FrameReadError
            The file is damaged, or has changed since its header was read.
        """
        self._views.check()
        return decode(
            self._headers[index],
            threads=self._threads,
            development=self._development,
            memory=self._memory,
            maps=self._maps,
        )

    def view(self, index: int) -> Pixels:
        """Give the pixels of frame `index` for a look at some of them.

        Like `read`, but where the file allows a read-only view into it, with any
        strides and byte order; camera raw is developed at half its size. May be called
        from several threads. `rest` tells whether the file stayed as it was.
        """
        view = tiff_view(self._headers[index], self._views)
        if view is not None:
            return view
        return decode(
            self._headers[index],
            threads=self._threads,
            development=self._development,
            is_draft=True,
            memory=self._memory,
        )

    def read_window(self, index: int, box: Box) -> Pixels:
        """Decode a region of frame `index`: the same pixels as `read` gives there.

        Of a TIFF file only what the region touches is read; others are decoded whole.
        """
        self._views.check()
        part = tiff_window(self._headers[index], box, self._memory, self._maps)
        if part is not None:
            return part
        return box.cut(self.read(index))

    def rest(self) -> None:
        """Give back the memory of frames that nobody holds.

        Raises
        ------
        FrameReadError
            A file was no longer all there when its pixels were looked at.
        """
        self._memory.rest()
        self._views.check()

    def metadata(self, index: int) -> Metadata:
        """All that is embedded in frame `index`, with the profile of its pixels."""
        header, profile = self._headers[index], self._infos[index].icc_profile
        if header.raw is None or profile is None:
            return replace(header.metadata, icc_profile=profile)
        return as_developed(header.metadata, profile, is_srgb=is_srgb(profile))

    def _info(self, header: Header) -> FrameInfo:
        if header.raw is None or self._development is None:
            return header.info
        return replace(
            header.info,
            icc_profile=self._development.icc_profile,
            notes=(*header.info.notes, self._development.note),
        )


def _with_noted_distances(
    headers: Sequence[Header], infos: Sequence[FrameInfo]
) -> tuple[FrameInfo, ...]:
    """Fill in focus distances that only the makers' notes hold."""
    wanted = [
        i
        for i, (header, info) in enumerate(zip(headers, infos, strict=True))
        if info.focus_distance_mm is None and _may_note_distance(header)
    ]
    found = dict.fromkeys(range(len(infos)), None) | dict(
        zip(wanted, focus_distances_mm([infos[i].name for i in wanted]), strict=True)
    )
    return tuple(
        info if found[i] is None else replace(info, focus_distance_mm=found[i])
        for i, info in enumerate(infos)
    )


def _may_note_distance(header: Header) -> bool:
    metadata = header.metadata
    return (
        header.kind == "raw"
        or any(entry.code == _MAKER_NOTE for entry in metadata.exif)
        or b"FocusDistance" in (metadata.xmp or b"")
    )


def _development(
    headers: Sequence[Header], settings: ReadSettings
) -> Development | None:
    """One way to develop all raw frames; None where there are none."""
    raws = [h.raw for h in headers if h.raw is not None]
    if not raws:
        return None
    return make_development(
        raws[len(raws) // 2],
        white_balance=settings.white_balance,
        raw_profile=settings.raw_profile,
    )


def _profile_name(info: FrameInfo) -> str:
    if info.icc_profile is None:
        return "no colour profile"
    return f'colour profile "{profile_name(info.icc_profile)}"'


def _check_alike(infos: Sequence[FrameInfo]) -> None:
    """Compare every frame with the first."""
    facts: list[Callable[[FrameInfo], object]] = [
        lambda i: f"{i.width} x {i.height} pixels",
        lambda i: f"{i.bit_depth} bit",
        lambda i: "grey" if i.n_channels == 1 else "RGB",
        lambda i: i.icc_profile,
    ]
    first = infos[0]
    for other in infos[1:]:
        for fact in facts:
            a, b = fact(first), fact(other)
            if a == b:
                continue
            if not isinstance(a, str):
                a, b = _profile_name(first), _profile_name(other)
                if a == b:
                    b = f"another {b}"
            msg = (
                f"{other.name} has {b}, but {first.name} has {a}: "
                "all frames of a bracket must be alike"
            )
            raise BracketError(msg, names=(first.name, other.name))


def _check_tails(headers: Sequence[Header]) -> None:
    """Refuse copies that are not finished: zeros where the other frames have pixels.

    A picture that ends in black rows looks the same in one file alone; it differs in
    that its zeros begin with a row, and that its neighbours have them too.
    """
    tails = [h.tiff.zero_tail_rows if h.tiff else 0 for h in headers]
    for i, header in enumerate(headers):
        if header.tiff is None or not tails[i]:
            continue
        is_shared = sum(2 * t >= tails[i] for t in tails) * 2 > len(tails)
        is_long = tails[i] > _MAX_LONE_ZERO_TAIL * header.tiff.height
        if header.tiff.is_tail_ragged or (is_long and not is_shared):
            raise FrameReadError(
                header.info.name,
                f"its last {tails[i]} rows hold only zeros: "
                "a copy that is not finished? Copy it again",
            )
