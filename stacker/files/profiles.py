"""Colour profiles made here, for pictures that come without one: developed raw files.

Plain matrix profiles of version 2, which every editor reads; the same bytes every time,
so that a result can be made again.

References
----------
International Color Consortium, ICC.1:2001-04 (version 2.4), sections 6.1 to 6.5, and
ICC.1:2022, annex E (chromatic adaptation, the "Bradford" matrix).
IEC 61966-2-1:1999 (sRGB). Adobe RGB (1998) Color Image Encoding, 2005.
ANSI/I3A IT10.7666:2003 (reference output medium metric RGB): primaries and white.
"""

import struct
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from stacker.files.colour import srgb_to_linear

__all__ = ["SPACES", "Space", "adapted_primaries", "named_profile"]

_D50 = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2022, 7.2.16
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_D65_XY, _D50_XY = (0.3127, 0.3290), (0.3457, 0.3585)
_N_SAMPLES = 4096  # of sRGB's curve; a straight line between two is exact to 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Space:
    """An RGB space of red, green, blue and white (CIE xy) and a tone curve.

    Attributes
    ----------
    name : str
        The profile's description.
    primaries, white : tuples of float
        CIE x, y.
    gamma : float or None
        Exponent; None for sRGB's curve.
    """

    name: str
    primaries: tuple[tuple[float, float], ...]
    white: tuple[float, float]
    gamma: float | None


SPACES: dict[str, Space] = {
    "srgb": Space(
        name="sRGB (IEC 61966-2-1)",
        primaries=((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
        white=_D65_XY,
        gamma=None,
    ),
    "adobe-rgb-compatible": Space(
        name="compatible with Adobe RGB (1998)",
        primaries=((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),
        white=_D65_XY,
        gamma=563 / 256,  # 2.19921875, section 4.3.4.2
    ),
    "prophoto-compatible": Space(
        name="compatible with ProPhoto RGB",
        primaries=((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)),
        white=_D50_XY,
        gamma=461 / 256,  # 1.8, to the nearest that a profile can say
    ),
}


def adapted_primaries(space: Space) -> npt.NDArray[np.float64]:
    """CIE XYZ of the primaries, adapted to the profile connection space's D50.

    Returns
    -------
    (3, 3) float64 array
        One column per primary; the columns add up to D50.
    """

    def xyz(xy: tuple[float, float]) -> npt.NDArray[np.float64]:
        return np.array([xy[0] / xy[1], 1.0, (1 - xy[0] - xy[1]) / xy[1]])

    white = xyz(space.white)
    columns = np.stack([xyz(p) for p in space.primaries], axis=1)
    columns = columns * np.linalg.solve(columns, white)
    cones = (_BRADFORD @ _D50) / (_BRADFORD @ white)
    adaptation = np.linalg.inv(_BRADFORD) @ np.diag(cones) @ _BRADFORD
    adapted: npt.NDArray[np.float64] = adaptation @ columns
    return adapted


@cache
def named_profile(name: str, *, is_linear: bool = False) -> bytes:
    """Profile of one of `SPACES`; with `is_linear`, of its primaries in linear light."""
    space = SPACES[name]
    label = f"{space.name}, linear" if is_linear else space.name
    columns = adapted_primaries(space)
    curve = _curve(1.0 if is_linear else space.gamma)
    tags = [
        (b"desc", _description(label)),
        (b"cprt", b"text" + bytes(4) + b"no rights reserved\0"),
        (b"wtpt", _xyz(_D50)),
        *((n, _xyz(columns[:, i])) for i, n in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))),
        *((n, curve) for n in (b"rTRC", b"gTRC", b"bTRC")),
    ]
    return _assemble(tags)


def _curve(gamma: float | None) -> bytes:
    if gamma is not None:
        return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))
    light = srgb_to_linear(np.linspace(0.0, 1.0, _N_SAMPLES))
    samples = np.rint(light * 65535).astype(">u2").tobytes()
    return b"curv" + bytes(4) + struct.pack(">I", _N_SAMPLES) + samples


def _xyz(values: npt.NDArray[np.float64]) -> bytes:
    fixed = [round(float(v) * 65536) for v in values]  # s15Fixed16Number
    return b"XYZ " + bytes(4) + struct.pack(">3i", *fixed)


def _description(text: str) -> bytes:
    """textDescriptionType: plain text, and no Unicode or Macintosh version of it."""
    plain = text.encode("ascii") + b"\0"
    rest = bytes(4 + 4 + 2 + 1 + 67)
    return b"desc" + bytes(4) + struct.pack(">I", len(plain)) + plain + rest


def _assemble(tags: list[tuple[bytes, bytes]]) -> bytes:
    at = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    places: dict[bytes, int] = {}
    for name, data in tags:
        if data not in places:  # equal curves are stored once
            places[data] = at + len(body)
            body += data + bytes(-len(data) % 4)
        table += struct.pack(">4sII", name, places[data], len(data))
    size = at + len(body)
    head = struct.pack(">I4sI", size, bytes(4), 0x02400000)
    head += b"mntrRGB XYZ " + struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp"
    head += bytes(
        4 * 3 + 4 + 8 + 4
    )  # platform, flags, maker, model, attributes, intent
    head += struct.pack(">3i", *(round(float(v) * 65536) for v in _D50))
    return head.ljust(128, b"\0") + table + body
