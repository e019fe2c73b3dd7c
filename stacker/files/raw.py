"""Camera raw files: every frame of a bracket developed in exactly the same way.

LibRaw (through rawpy, the extra "raw") reads and demosaics; nothing automatic is left
on, because whatever it decides for one frame makes it unlike its neighbours. One
`Development` is made from one frame and serves all.

Reading order: `read_raw_facts`, `make_development`, `develop`.
"""

from dataclasses import dataclass, field
from importlib import import_module
from os import PathLike, fspath
from pathlib import Path
from threading import Lock
from typing import Any, cast

import imagecodecs
import numpy as np
import numpy.typing as npt

from stacker.errors import InputError
from stacker.files.colour import transfer_table
from stacker.files.metadata import CaptureFacts
from stacker.files.profiles import SPACES, named_profile
from stacker.frame import Pixels

__all__ = [
    "Development",
    "RawFacts",
    "develop",
    "make_development",
    "profile_for",
    "read_raw_facts",
]

# One raw file of 100 MP takes some 4 GB while LibRaw develops it, with threads of its
# own: one at a time.
_ONE_AT_A_TIME = Lock()

_N_CODES = 65536
# LibRaw's turn of the picture -> TIFF's Orientation.
_ORIENTATIONS = {0: 1, 3: 3, 5: 8, 6: 6}
# LibRaw's names of the output spaces.
_LIBRAW_SPACES = {
    "srgb": "sRGB",
    "adobe-rgb-compatible": "Adobe",
    "prophoto-compatible": "ProPhoto",
}
_WIDEST = "prophoto-compatible"  # to go through to a profile from a file
_TAIL_ROWS = 2  # rows at the end that must not all be one value


@dataclass(frozen=True, slots=True, kw_only=True)
class RawFacts:
    """What LibRaw knows of a raw file before it is unpacked.

    Attributes
    ----------
    height, width : int
        Of the developed picture, as stored.
    orientation : int
        TIFF's Orientation, 1..8.
    camera_white, daylight_white : tuple of float or None
        Multipliers for red, green, blue, green = 1; None where the file has none.
    black_levels : tuple of int
        Per colour of the mosaic.
    white_level : int
        Sample value of a full pixel.
    capture : CaptureFacts
        As far as LibRaw tells.
    """

    height: int
    width: int
    orientation: int
    camera_white: tuple[float, ...] | None
    daylight_white: tuple[float, ...] | None
    black_levels: tuple[int, ...]
    white_level: int
    capture: CaptureFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class Development:
    """How to develop each frame of a bracket.

    Attributes
    ----------
    white : tuple of float
        Multipliers for red, green, blue.
    black_levels, white_level : tuple of int, int
        Of one frame, for all.
    space : str
        Key of `stacker.files.profiles.SPACES`: what LibRaw develops to.
    icc_profile : bytes
        What the pixels mean in the end.
    encoding : (65536,) uint16 array or None
        Code of the profile for each linear code; None where the profile comes from a
        file and a colour engine converts to it.
    note : str
        The choice in words, for the report.
    """

    white: tuple[float, ...]
    black_levels: tuple[int, ...]
    white_level: int
    space: str
    icc_profile: bytes = field(repr=False)
    encoding: npt.NDArray[np.uint16] | None = field(repr=False)
    note: str


def _rawpy() -> Any:
    try:
        return import_module("rawpy")
    except ImportError as err:
        msg = "is a camera raw file: install the extra for it, pip install stacker[raw]"
        raise InputError(msg) from err


def _open(path: str | PathLike[str]) -> Any:
    """Open a raw file with LibRaw; its errors become one line of ours."""
    rawpy = _rawpy()
    raw = rawpy.RawPy()
    try:
        name = fspath(path)
        try:
            name.encode()
        except UnicodeEncodeError:  # LibRaw takes names as UTF-8 only
            with Path(path).open("rb") as file:
                raw.open_buffer(file)
        else:
            raw.open_file(name)
    except rawpy.LibRawError as err:
        raw.close()
        raise InputError(_in_words(err)) from err
    return raw


def _in_words(error: Exception) -> str:
    first = error.args[0] if error.args else ""
    text = first.decode("utf-8", "replace") if isinstance(first, bytes) else str(first)
    return (
        f"cannot be developed ({text.lower() or type(error).__name__}); if it is whole, "
        "its camera's format is not supported here: convert it to DNG or TIFF"
    )


def read_raw_facts(path: str | PathLike[str]) -> RawFacts:
    """Read a raw file's header.

    Raises
    ------
    InputError
        No rawpy, or a file that LibRaw cannot open.
    OSError
        A file that cannot be read.
    """
    with Path(path).open("rb"):  # LibRaw does not say why it cannot open a file
        pass
    raw = _open(path)
    try:
        sizes = raw.sizes
        return RawFacts(
            height=int(sizes.iheight),
            width=int(sizes.iwidth),
            orientation=_ORIENTATIONS.get(int(sizes.flip), 1),
            camera_white=_multipliers(raw.camera_whitebalance),
            daylight_white=_multipliers(raw.daylight_whitebalance),
            black_levels=tuple(int(v) for v in raw.black_level_per_channel),
            white_level=int(raw.white_level),
            capture=_capture(raw.other),
        )
    finally:
        raw.close()


def _capture(other: Any) -> CaptureFacts:
    def positive(value: float) -> float | None:
        return float(value) if 0 < value < np.inf else None

    is_timed = other.timestamp.timestamp() > 0  # LibRaw's unknown is the year 1970
    return CaptureFacts(
        captured=other.timestamp if is_timed else None,
        focal_length_mm=positive(other.focal_length),
        f_number=positive(other.aperture),
        exposure_s=positive(other.shutter_speed),
        iso=positive(other.iso_speed),
    )


def _multipliers(values: list[float] | None) -> tuple[float, ...] | None:
    """Red, green and blue relative to green; None for what cannot be one."""
    rgb = [float(v) for v in (values or [])[:3]]
    if len(rgb) < 3 or not all(0 < v < np.inf for v in rgb):
        return None
    return tuple(v / rgb[1] for v in rgb)


def profile_for(raw_profile: str) -> bytes:
    """Profile of the pixels for a setting's name or path.

    Raises
    ------
    InputError
        A path at which there is no RGB profile.
    """
    if raw_profile in SPACES:
        return named_profile(raw_profile)
    try:
        data = Path(raw_profile).read_bytes()
    except OSError as err:
        msg = (
            f"raw_profile is {raw_profile!r}: expected {', '.join(SPACES)}, or the path "
            "of an ICC profile that can be read"
        )
        raise InputError(msg) from err
    if data[36:40] != b"acsp" or data[16:20] != b"RGB ":
        msg = f"raw_profile is {raw_profile!r}: this is not an ICC profile for RGB"
        raise InputError(msg)
    return data


def make_development(
    facts: RawFacts, *, white_balance: str, raw_profile: str
) -> Development:
    """Decide how all frames are developed, from the facts of one.

    Parameters
    ----------
    facts : RawFacts
        Of the frame whose levels and white balance count.
    white_balance, raw_profile : str
        As in `stacker.settings.ReadSettings`.

    Raises
    ------
    InputError
        A profile that cannot be used.
    """
    if white_balance == "camera":
        white, words = facts.camera_white, "the camera's"
        if white is None:
            white = facts.daylight_white
            words = "for daylight, as the file has none"
    elif white_balance == "daylight":
        white, words = facts.daylight_white, "for daylight"
    else:
        white, words = tuple(float(v) for v in white_balance.split(",")), "as given"
    if white is None:
        white, words = (1.0, 1.0, 1.0), "none, as the file has none"
    icc_profile = profile_for(raw_profile)
    encoding = None
    if raw_profile in SPACES:
        light = transfer_table(icc_profile, 3).table[0].astype(np.float64)
        codes = np.arange(_N_CODES, dtype=np.float64)
        linear = codes / (_N_CODES - 1)
        encoding = np.rint(np.interp(linear, light, codes)).astype(np.uint16)
    numbers = ", ".join(f"{v:.3f}" for v in white)
    return Development(
        white=white,
        black_levels=facts.black_levels,
        white_level=facts.white_level,
        space=raw_profile if raw_profile in SPACES else _WIDEST,
        icc_profile=icc_profile,
        encoding=encoding,
        note=f"developed from raw with one white balance for all: {words} ({numbers})",
    )


def develop(
    path: str | PathLike[str], development: Development, *, is_draft: bool = False
) -> Pixels:
    """Develop a raw file.

    Parameters
    ----------
    path : path
        A file that LibRaw knows.
    development : Development
        The same for all frames of a bracket.
    is_draft : bool
        Make one pixel of each 2 x 2 of the mosaic and interpolate between them, on the
        same grid: faster, for a look only. One row or column more where the mosaic's
        number of them is odd.

    Returns
    -------
    (H, W, 3) uint16 array
        Encoded as `development.icc_profile` says; as stored, Orientation not applied.

    Raises
    ------
    InputError
        No rawpy, or a damaged or unfinished file.
    """
    with _ONE_AT_A_TIME:
        linear = _develop_linear(path, development, half_size=is_draft)
    pixels = _encoded(linear, development)
    if not is_draft:
        return pixels
    from stacker import _opencv  # noqa: PLC0415  heavy, and a watch does not need it

    shape = (2 * pixels.shape[0], 2 * pixels.shape[1])
    whole = _opencv.resize_linear(cast("Any", pixels), shape)
    return cast("Pixels", whole)


def _encoded(linear: npt.NDArray[np.uint16], development: Development) -> Pixels:
    """Give linear codes the meaning that the profile has."""
    if development.encoding is not None:
        return cast("Pixels", np.take(development.encoding, linear))
    converted = imagecodecs.cms_transform(
        linear,
        named_profile(development.space, is_linear=True),
        development.icc_profile,
        colorspace="rgb",
        outcolorspace="rgb",
        outdtype=np.uint16,
    )
    return cast("Pixels", converted)


def _develop_linear(
    path: str | PathLike[str], development: Development, *, half_size: bool
) -> npt.NDArray[np.uint16]:
    rawpy = _rawpy()
    black = min(development.black_levels)
    red, green, blue = development.white
    raw = _open(path)
    try:
        _check_tail(raw)
        return cast(
            "npt.NDArray[np.uint16]",
            raw.postprocess(
                half_size=half_size,
                output_bps=16,
                gamma=(1, 1),
                output_color=getattr(
                    rawpy.ColorSpace, _LIBRAW_SPACES[development.space]
                ),
                user_flip=0,
                use_camera_wb=False,
                use_auto_wb=False,
                user_wb=[red, green, blue, green],
                user_black=black,
                user_cblack=[level - black for level in development.black_levels],
                # LibRaw takes this one for samples from which black is subtracted.
                user_sat=development.white_level - black,
                no_auto_bright=True,
                adjust_maximum_thr=0.0,
                bright=1.0,
                highlight_mode=rawpy.HighlightMode.Clip,
            ),
        )
    except rawpy.LibRawError as err:
        raise InputError(_in_words(err)) from err
    finally:
        raw.close()


def _check_tail(raw: Any) -> None:
    """Refuse a mosaic that ends in rows of one value that is not white.

    LibRaw fills what is missing in a file and says nothing; a sensor's rows have noise
    unless they are clipped.
    """
    mosaic = raw.raw_image_visible
    if mosaic is None:  # three values per pixel
        return
    tail = mosaic[-_TAIL_ROWS:]
    is_one_value = tail.min() == tail.max()
    if is_one_value and tail.max() < raw.white_level and mosaic.min() != mosaic.max():
        msg = (
            "its last rows hold no picture: a copy that is not finished? Copy it again"
        )
        raise InputError(msg)
