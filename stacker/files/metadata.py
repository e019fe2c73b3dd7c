"""Everything in a frame's file but its pixels: capture data, captions, profile.

`read_metadata` collects it as bytes, to be carried over exactly; `capture_facts` says
what of it this package itself makes use of.
"""

import re
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, timezone
from fractions import Fraction
from io import BytesIO
from os import PathLike
from pathlib import Path
from typing import BinaryIO

from stacker.errors import InputError
from stacker.files.boundary import reading
from stacker.files.containers import (
    Container,
    iptc_of_resources,
    read_jpeg,
    read_png,
)
from stacker.files.ifd import (
    RATIONAL,
    SHORT,
    Entry,
    IfdReader,
    number_entry,
)
from stacker.files.kinds import SIGNATURE_BYTES, kind_of

__all__ = [
    "CaptureFacts",
    "Metadata",
    "as_developed",
    "capture_facts",
    "metadata_of",
    "read_metadata",
]

# Tag numbers: TIFF 6.0, Exif 3.0 and (XMP, IPTC, image resources, rating, XP*) their
# makers' registrations.
_ORIENTATION, _X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT = 274, 282, 283, 296
_EXIF_IFD, _GPS_IFD, _INTEROP_IFD = 34665, 34853, 40965
_XMP, _IPTC, _RESOURCES, _ICC = 700, 33723, 34377, 34675
_DATE_TIME = 306
_DESCRIPTIVE = frozenset({
    269,  # DocumentName
    270,  # ImageDescription
    271,  # Make
    272,  # Model
    285,  # PageName
    _X_RESOLUTION,
    _Y_RESOLUTION,
    _RESOLUTION_UNIT,
    _DATE_TIME,
    315,  # Artist
    316,  # HostComputer
    18246,  # Rating
    18249,  # RatingPercent
    33432,  # Copyright
    40091, 40092, 40093, 40094, 40095,  # XPTitle, XPComment, XPAuthor, XPKeywords, XPSubject
    50708,  # UniqueCameraModel
})  # fmt: skip

_EXPOSURE_TIME, _F_NUMBER, _ISO, _FOCAL_LENGTH, _SUBJECT_DISTANCE = (
    33434, 33437, 34855, 37386, 37382,
)  # fmt: skip
_RECOMMENDED_EXPOSURE_INDEX = 34866
_COLOR_SPACE, _IS_SRGB, _IS_UNCALIBRATED = 40961, 1, 65535
_CFA_PATTERN = 41730
_TAKEN, _TAKEN_SUBSEC, _TAKEN_OFFSET = 36867, 37521, 36881
# Capture data that TIFF/EP and DNG writers put beside the picture's own tags.
_CAPTURE_TAGS = frozenset({
    _EXPOSURE_TIME, _F_NUMBER, _ISO, _FOCAL_LENGTH, _SUBJECT_DISTANCE,
    _RECOMMENDED_EXPOSURE_INDEX, _TAKEN, _TAKEN_SUBSEC, _TAKEN_OFFSET,
})  # fmt: skip

_MM_PER_M = 1000.0
_CM_PER_M, _UNIT_CM = 100, 3  # ResolutionUnit 3 = centimetre (TIFF 6.0)
_UNKNOWN_DISTANCE = 0  # Exif 3.0, SubjectDistance; a numerator of FFFFFFFF = infinity
_INFINITE_DISTANCE_M = 0xFFFFFFFF


@dataclass(frozen=True, slots=True, kw_only=True)
class Metadata:
    """What a file says about its picture.

    Attributes
    ----------
    icc_profile, xmp, iptc : bytes or None
        Whole blocks, byte for byte.
    main : tuple of Entry
        Descriptive tags of the picture's directory: camera, names, rights, resolution.
    exif, interop, gps : tuple of Entry
        The directories of these names, without pointers to others.
    orientation : int
        1..8 (TIFF 6.0); 1 where the file does not say.
    """

    icc_profile: bytes | None = field(default=None, repr=False)
    xmp: bytes | None = field(default=None, repr=False)
    iptc: bytes | None = field(default=None, repr=False)
    main: tuple[Entry, ...] = field(default=(), repr=False)
    exif: tuple[Entry, ...] = field(default=(), repr=False)
    interop: tuple[Entry, ...] = field(default=(), repr=False)
    gps: tuple[Entry, ...] = field(default=(), repr=False)
    orientation: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """How a frame was taken; None where its file does not say."""

    captured: datetime | None = None
    focal_length_mm: float | None = None
    f_number: float | None = None
    exposure_s: float | None = None
    iso: float | None = None
    focus_distance_mm: float | None = None


def read_metadata(path: str | PathLike[str]) -> Metadata:
    """Collect the metadata of a TIFF, PNG or JPEG file.

    Parameters
    ----------
    path : path
        Not decoded, only looked through.

    Raises
    ------
    FrameReadError
        The file cannot be opened, or is of no known kind.
    """
    with reading(path), Path(path).open("rb") as file:
        return metadata_of(file)


def metadata_of(file: BinaryIO) -> Metadata:
    """Collect the metadata of an open file; see `read_metadata`.

    Raises
    ------
    InputError
        The content is of no known kind, or its header is damaged.
    """
    file.seek(0)
    kind = kind_of(file.read(SIGNATURE_BYTES))
    if kind == "tiff":
        return _of_tiff(IfdReader(file))
    if kind == "jpeg":
        return _of_container(read_jpeg(file))
    if kind == "png":
        return _of_container(read_png(file))
    msg = "not a TIFF, PNG or JPEG file"
    raise InputError(msg)


def _of_tiff(reader: IfdReader) -> Metadata:
    pointers = {_EXIF_IFD, _GPS_IFD}
    blocks = {_XMP, _IPTC, _RESOURCES, _ICC}
    wanted = _DESCRIPTIVE | _CAPTURE_TAGS | pointers | blocks | {_ORIENTATION}
    tags = reader.read(reader.first, wanted)

    def directory(holder: dict[int, Entry], code: int) -> dict[int, Entry]:
        pointer = holder.get(code)
        offset = pointer.number() if pointer else None
        return reader.read(int(offset)) if offset else {}

    exif = directory(tags, _EXIF_IFD)
    for code in _CAPTURE_TAGS & tags.keys():
        exif.setdefault(code, tags[code])
    interop = directory(exif, _INTEROP_IFD)
    iptc = tags[_IPTC].data if _IPTC in tags else None
    if iptc is None and _RESOURCES in tags:
        iptc = iptc_of_resources(tags[_RESOURCES].data)
    turn = tags[_ORIENTATION].number() if _ORIENTATION in tags else None
    return Metadata(
        icc_profile=tags[_ICC].data if _ICC in tags else None,
        xmp=tags[_XMP].data if _XMP in tags else None,
        iptc=iptc,
        main=tuple(tags[c] for c in sorted(_DESCRIPTIVE & tags.keys())),
        exif=tuple(exif[c] for c in sorted(exif.keys() - {_INTEROP_IFD})),
        interop=tuple(interop[c] for c in sorted(interop)),
        gps=tuple(e for _, e in sorted(directory(tags, _GPS_IFD).items())),
        orientation=int(turn) if turn and turn in range(1, 9) else 1,
    )


def _of_container(found: Container) -> Metadata:
    inner = Metadata()
    if found.exif:
        try:
            inner = _of_tiff(IfdReader(BytesIO(found.exif)))
        except InputError:
            inner = Metadata()  # a damaged block does not make the picture unreadable
    main = inner.main
    if found.per_metre and not any(e.code == _X_RESOLUTION for e in main):
        main = (*main, *_resolution(found.per_metre))
    return Metadata(
        icc_profile=found.icc,
        xmp=found.xmp or inner.xmp,
        iptc=found.iptc or inner.iptc,
        main=main,
        exif=inner.exif,
        interop=inner.interop,
        gps=inner.gps,
        orientation=inner.orientation,
    )


def _resolution(per_metre: tuple[float, float]) -> tuple[Entry, ...]:
    def rational(code: int, value: float) -> Entry:
        part = Fraction(value / _CM_PER_M).limit_denominator(10_000)
        data = part.numerator.to_bytes(4, "little") + part.denominator.to_bytes(
            4, "little"
        )
        return Entry(code, RATIONAL, 1, data)

    return (
        rational(_X_RESOLUTION, per_metre[0]),
        rational(_Y_RESOLUTION, per_metre[1]),
        number_entry(_RESOLUTION_UNIT, SHORT, _UNIT_CM),
    )


def as_developed(metadata: Metadata, profile: bytes, *, is_srgb: bool) -> Metadata:
    """Give a raw file's metadata to what was developed from it.

    A raw file's ColorSpace is a choice for the camera's own pictures, and so is the
    directory for interoperability.

    Parameters
    ----------
    metadata : Metadata
        Of the raw file.
    profile : bytes
        Of the developed pixels.
    is_srgb : bool
        Whether that is sRGB.
    """
    space = number_entry(_COLOR_SPACE, SHORT, _IS_SRGB if is_srgb else _IS_UNCALIBRATED)
    kept = (e for e in metadata.exif if e.code not in (_COLOR_SPACE, _CFA_PATTERN))
    exif = tuple(sorted((*kept, space), key=lambda e: e.code))
    return replace(metadata, icc_profile=profile, exif=exif, interop=())


def capture_facts(metadata: Metadata) -> CaptureFacts:
    """Tell from the EXIF entries how the frame was taken.

    Values that cannot be (a focal length of 0, an infinite distance) count as unknown.
    """
    by_code = {e.code: e for e in metadata.exif}

    def positive(*codes: int) -> float | None:
        for code in codes:
            entry = by_code.get(code)
            value = entry.number() if entry else None
            if value is not None and value > 0:
                return value
        return None

    distance_m = positive(_SUBJECT_DISTANCE)
    if distance_m is not None and distance_m >= _INFINITE_DISTANCE_M:
        distance_m = None
    return CaptureFacts(
        captured=_captured(metadata, by_code),
        focal_length_mm=positive(_FOCAL_LENGTH),
        f_number=positive(_F_NUMBER),
        exposure_s=positive(_EXPOSURE_TIME),
        iso=positive(_ISO, _RECOMMENDED_EXPOSURE_INDEX),
        focus_distance_mm=None if distance_m is None else distance_m * _MM_PER_M,
    )


def _captured(metadata: Metadata, by_code: dict[int, Entry]) -> datetime | None:
    taken = by_code.get(_TAKEN)
    if taken is None:  # scanners and converters fill the file's own date only
        taken = next((e for e in metadata.main if e.code == _DATE_TIME), None)
    if taken is None:
        return None
    try:
        time = datetime.strptime(taken.text()[:19], "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    if taken.code != _TAKEN:
        return time
    subsec = by_code.get(_TAKEN_SUBSEC)
    digits = re.match(r"[0-9]+", subsec.text()) if subsec else None
    if digits:
        time = time.replace(microsecond=int(digits[0][:6].ljust(6, "0")))
    offset = by_code.get(_TAKEN_OFFSET)
    zone = re.fullmatch(r"([+-])(\d\d):(\d\d)", offset.text()) if offset else None
    if zone:
        shift = timedelta(hours=int(zone[2]), minutes=int(zone[3]))
        shift = -shift if zone[1] == "-" else shift
        if abs(shift) < timedelta(hours=24):
            time = time.replace(tzinfo=timezone(shift))
    return time
