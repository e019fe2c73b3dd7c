"""What the numbers of a picture mean: tone curves of ICC profiles, and previews.

The profile itself is never changed: it goes from the frames to the master byte for byte.
Reading order: `transfer_table`, `to_srgb8`.

References
----------
International Color Consortium, Specification ICC.1:2022 (profile version 4.4), sections
7 (structure), 10.6 (curveType), 10.18 (parametricCurveType), 10.15
(multiLocalizedUnicodeType).
IEC 61966-2-1:1999, sRGB.
"""

import struct
from dataclasses import dataclass, field

import imagecodecs
import numpy as np
import numpy.typing as npt

from stacker.errors import InputError
from stacker.frame import Pixels, TransferTable

__all__ = [
    "Transfer",
    "is_srgb",
    "profile_name",
    "srgb_to_linear",
    "to_srgb8",
    "transfer_table",
]

_N_CODES = 65536
_HEADER_BYTES, _TAG_ROW_BYTES = 128, 12
_MAX_TAGS = 256  # a profile has some 20; the bound keeps damaged ones short

# Number of parameters of each parametric function (ICC.1:2022, table 68).
_N_PARAMETERS = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}

# IEC 61966-2-1: linear part up to 0.04045, slope 12.92, offset 0.055, exponent 2.4.
_SRGB_BREAK, _SRGB_SLOPE, _SRGB_OFFSET, _SRGB_GAMMA = 0.04045, 12.92, 0.055, 2.4

# sRGB's primaries adapted to the profile connection space's D50, as in the profile that
# the ICC publishes (sRGB v2); rounded there to 4 digits.
_SRGB_COLORANTS = {
    b"rXYZ": (0.4361, 0.2225, 0.0139),
    b"gXYZ": (0.3851, 0.7169, 0.0971),
    b"bXYZ": (0.1431, 0.0606, 0.7141),
}
# Profiles of sRGB by different makers differ by less; other spaces by far more.
_SAME_CURVE, _SAME_COLORANT = 0.002, 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """How encoded values turn into light.

    Attributes
    ----------
    table : (C, 65536) float32 array
        Linear light 0..1 for each 16-bit code; an 8-bit value v has the code 257 v.
    name : str
        The profile's own name, or "sRGB (assumed)".
    is_linearised : bool
        False where the profile has no curves to read: values are used as encoded.
    note : str
        What was assumed, in words; empty where the profile says it all.
    """

    table: TransferTable = field(repr=False)
    name: str
    is_linearised: bool
    note: str = ""


def srgb_to_linear(encoded: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Light for sRGB values, both 0..1 (IEC 61966-2-1).

    Examples
    --------
    >>> float(srgb_to_linear(0.5).round(6))
    0.214041
    """
    values = np.asarray(encoded, dtype=np.float64)
    power = ((values + _SRGB_OFFSET) / (1 + _SRGB_OFFSET)) ** _SRGB_GAMMA
    return np.where(values <= _SRGB_BREAK, values / _SRGB_SLOPE, power)


def _codes() -> npt.NDArray[np.float64]:
    return np.linspace(0.0, 1.0, _N_CODES)


def transfer_table(icc_profile: bytes | None, n_channels: int) -> Transfer:
    """Table from code to light for pictures with this profile.

    Parameters
    ----------
    icc_profile : bytes or None
        None: sRGB's curve is assumed, and said.
    n_channels : int
        1 or 3: the rows of the table.

    Returns
    -------
    Transfer

    Notes
    -----
    A profile made of tables for whole colours (camera, printer) has no curve of its own
    per channel; then, and for a profile that cannot be read, values count as linear in
    what they are ("as encoded"), with a note. A grey picture with an RGB profile takes
    the green curve, a colour picture with a grey profile the one curve three times.
    """
    if icc_profile is None:
        table = np.tile(srgb_to_linear(_codes()).astype(np.float32), (n_channels, 1))
        return Transfer(
            table=table,
            name="sRGB (assumed)",
            is_linearised=True,
            note="no colour profile in the frames: sRGB assumed",
        )
    name = profile_name(icc_profile)
    curves, note = _channel_curves(icc_profile)
    if not curves:
        plain = np.tile(_codes().astype(np.float32), (n_channels, 1))
        return Transfer(
            table=plain,
            name=name,
            is_linearised=False,
            note=f'colour profile "{name}" {note}: values used as encoded',
        )
    if n_channels == 1 and len(curves) == 3:
        curves, note = curves[1:2], "grey frames with an RGB profile: its green curve"
    elif n_channels == 3 and len(curves) == 1:
        curves, note = curves * 3, "RGB frames with a grey profile: its one curve"
    return Transfer(
        table=np.stack(curves).astype(np.float32),
        name=name,
        is_linearised=True,
        note=note,
    )


def _channel_curves(profile: bytes) -> tuple[list[npt.NDArray[np.float64]], str]:
    """Curve of each channel, or none and why; the text goes after the profile's name."""
    try:
        tags = _profile_tags(profile)
        space = profile[16:20]
        if space == b"GRAY" and b"kTRC" in tags:
            return [_curve(tags[b"kTRC"])], ""
        names = (b"rTRC", b"gTRC", b"bTRC")
        if space == b"RGB " and all(n in tags for n in names):
            return [_curve(tags[n]) for n in names], ""
    except (InputError, struct.error, IndexError):
        return [], "cannot be read"
    if space not in (b"RGB ", b"GRAY"):
        return [], "is for another kind of colour"
    return [], "has tables instead of tone curves"


def _profile_tags(profile: bytes) -> dict[bytes, bytes]:
    """Read the data of each tag by its signature (ICC.1:2022, 7.3)."""
    if profile[36:40] != b"acsp":
        msg = "not an ICC profile"
        raise InputError(msg)
    count = struct.unpack_from(">I", profile, _HEADER_BYTES)[0]
    if count > _MAX_TAGS:
        msg = f"an ICC profile of {count} tags"
        raise InputError(msg)
    tags: dict[bytes, bytes] = {}
    for i in range(count):
        name, offset, size = struct.unpack_from(
            ">4sII", profile, _HEADER_BYTES + 4 + i * _TAG_ROW_BYTES
        )
        tags[name] = profile[offset : offset + size]
    return tags


def _curve(data: bytes) -> npt.NDArray[np.float64]:
    """(65536,) light for each code, clipped to 0..1."""
    kind = data[:4]
    if kind == b"curv":
        light = _sampled_curve(data)
    elif kind == b"para":
        light = _parametric_curve(data)
    else:
        msg = f"tone curve of type {kind!r}"
        raise InputError(msg)
    if not np.isfinite(light).all():
        msg = "tone curve without finite values"
        raise InputError(msg)
    return np.clip(light, 0.0, 1.0)


def _sampled_curve(data: bytes) -> npt.NDArray[np.float64]:
    """ICC.1:2022, 10.6: nothing = identity, one value = gamma, else samples."""
    count = struct.unpack_from(">I", data, 8)[0]
    x = _codes()
    if count == 0:
        return x
    if len(data) < 12 + 2 * count:
        msg = "tone curve cut off"
        raise InputError(msg)
    values = np.frombuffer(data, dtype=">u2", count=count, offset=12)
    if count == 1:
        return x ** (float(values[0]) / 256)  # u8Fixed8Number
    return np.interp(x, np.linspace(0.0, 1.0, count), values / (_N_CODES - 1))


def _parametric_curve(data: bytes) -> npt.NDArray[np.float64]:
    """ICC.1:2022, 10.18, table 68: g a b c d e f are the paper's letters."""
    function = struct.unpack_from(">H", data, 8)[0]
    if function not in _N_PARAMETERS:
        msg = f"parametric tone curve of type {function}"
        raise InputError(msg)
    fixed = struct.unpack_from(f">{_N_PARAMETERS[function]}i", data, 12)
    p = [v / 65536 for v in fixed]  # s15Fixed16Number
    g, a, b, c, d, e, f = p + [0.0] * (7 - len(p))
    x = _codes()
    light: npt.NDArray[np.float64]
    if function == 0:
        light = x**g
        return light
    if function in (1, 2):
        # Type 1: c stands for no offset and is 0 here already.
        start = -b / a if a else 0.0
        light = np.where(x >= start, np.maximum(a * x + b, 0) ** g + c, c)
        return light
    power = np.maximum(a * x + b, 0) ** g + (e if function == 4 else 0.0)
    light = np.where(x >= d, power, c * x + (f if function == 4 else 0.0))
    return light


def profile_name(profile: bytes) -> str:
    """Give a profile's own name (its description tag); "unnamed" where it has none."""
    try:
        data = _profile_tags(profile).get(b"desc", b"")
        if data[:4] == b"mluc":
            size, offset = struct.unpack_from(">II", data, 20)
            text = data[offset : offset + size].decode("utf-16-be", "replace")
        else:  # textDescriptionType of version 2 profiles
            size = struct.unpack_from(">I", data, 8)[0] if data[:4] == b"desc" else 0
            text = data[12 : 12 + size].decode("ascii", "replace")
    except (InputError, struct.error):
        text = ""
    return " ".join(text.replace("\0", " ").split()) or "unnamed"


def is_srgb(profile: bytes) -> bool:
    """Tell whether a profile means sRGB: its curve and, for colour, its primaries."""
    n_channels = 1 if profile[16:20] == b"GRAY" else 3
    transfer = transfer_table(profile, n_channels)
    curve = srgb_to_linear(_codes())
    if not transfer.is_linearised or np.abs(transfer.table - curve).max() > _SAME_CURVE:
        return False
    if n_channels == 1:
        return True
    tags = _profile_tags(profile)
    for name, expected in _SRGB_COLORANTS.items():
        data = tags.get(name, b"")
        if len(data) < 20:
            return False
        found = np.array(struct.unpack_from(">3i", data, 8)) / 65536
        if np.abs(found - expected).max() > _SAME_COLORANT:
            return False
    return True


def to_srgb8(pixels: Pixels, icc_profile: bytes | None) -> npt.NDArray[np.uint8]:
    """Convert for the screen: sRGB, 8 bit, three channels.

    Costs some 2.7 s for 100 MP: meant for previews, reduce first.

    Parameters
    ----------
    pixels : (H, W) or (H, W, 3) uint8 or uint16 array
        Encoded as `icc_profile` says. Not modified.
    icc_profile : bytes or None
        None, or a profile that does not fit the channels: taken as sRGB already.

    Returns
    -------
    (H, W, 3) uint8 array
    """
    space = None if icc_profile is None else icc_profile[16:20]
    expected = b"GRAY" if pixels.ndim == 2 else b"RGB "
    if icc_profile is not None and space == expected:
        try:
            return np.asarray(
                imagecodecs.cms_transform(
                    np.ascontiguousarray(pixels),
                    icc_profile,
                    imagecodecs.cms_profile("srgb"),
                    colorspace="gray" if pixels.ndim == 2 else "rgb",
                    outcolorspace="rgb",
                    outdtype=np.uint8,
                    # Grey goes through a table that is too coarse in the dark else.
                    flags=imagecodecs.CMS.FLAGS.HIGHRESPRECALC,
                ),
                dtype=np.uint8,
            )
        except (imagecodecs.CmsError, ValueError):
            pass  # a damaged profile must not cost the preview
    if pixels.dtype == np.uint8:
        eight = pixels.astype(np.uint8)
    else:
        # The nearest of 256 levels, each 257 codes apart.
        eight = ((pixels.astype(np.uint32) + 128) // 257).astype(np.uint8)
    return np.repeat(eight[:, :, None], 3, axis=2) if eight.ndim == 2 else eight
