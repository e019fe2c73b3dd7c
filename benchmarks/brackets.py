"""Brackets with known truth: the sample, and folders of clean rendered frames.

`sample_bracket` reads what lies in sample_data; `scene_bracket` takes a folder of clean
frames (see `benchmarks.scenes`) and makes of it what a camera delivers: flash variation,
photon and read noise, a shoulder or clipping at white, a transfer curve.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import tifffile

from benchmarks.lens import F32, F64

SAMPLE = Path(__file__).parent.parent / "sample_data"
SHOULDER_KNEE = 0.85  # linear light above it is rolled off towards 1
FULL_WELL_ELECTRONS = 30000.0  # at linear 1.0: a medium format sensor, common practice
READ_NOISE_ELECTRONS = 4.0
GAUSSIAN_ELECTRONS = 2000  # Poisson and Gaussian noise cannot be told apart above
SCENE_WIDTH_PX = 1500  # the width for which pixel distances of the masks are stated
EDGE_BAND_PX = 12  # "near a depth step"
BORDER_SHARE = 0.05  # of the width, left out on every side


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What should come out, on the reference frame's grid.

    Attributes
    ----------
    picture : (H, W, 3) float32 array
        All in focus, encoded 0..1 like the frames, with the reference frame's gain.
    depth : (H, W) float32 array
        Fractional frame number.
    edge, interior, flat, inside : (H, W) bool arrays
        Within 12 px (at 1500 px width) of a depth step; textured and away from steps;
        untextured; all but a border.
    solid : (H, W) bool array
        `interior` without metal and glass, where the depth seen is the surface's.
    """

    picture: F32
    depth: F32
    edge: npt.NDArray[np.bool_]
    interior: npt.NDArray[np.bool_]
    flat: npt.NDArray[np.bool_]
    inside: npt.NDArray[np.bool_]
    solid: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracket:
    """Frames as a camera delivers them, and everything known about them.

    Attributes
    ----------
    frames : list of (H, W, 3) uint16 or uint8 arrays
    transforms : list of (3, 3) float64 arrays
        Frame pixels to the reference frame's pixels.
    gains : (n,) float64 array
        Flash output in linear light.
    decode, encode : callables
        Encoded 0..1 to linear light (the transfer curve alone) and back.
    """

    name: str
    frames: list[npt.NDArray[Any]]
    transforms: list[F64]
    gains: F64
    reference: int
    decode: Callable[[F32], F32]
    encode: Callable[[F32], F32]
    truth: Truth


# --- transfer curves -----------------------------------------------------------------


def srgb_encode(linear: F32) -> F32:
    """Curve of IEC 61966-2-1, linear 0..1 to encoded 0..1."""
    x = np.clip(linear, 0, 1)
    high = 1.055 * np.maximum(x, 1e-8) ** np.float32(1 / 2.4) - 0.055
    return np.where(x <= 0.0031308, 12.92 * x, high).astype(np.float32)


def srgb_decode(encoded: F32) -> F32:
    """Inverse of `srgb_encode`."""
    v = np.clip(encoded, 0, 1)
    high = ((v + 0.055) / 1.055) ** np.float32(2.4)
    return np.where(v <= 0.04045, v / 12.92, high).astype(np.float32)


def transfer_curves(
    kind: str, gamma: float
) -> tuple[Callable[[F32], F32], Callable[[F32], F32]]:
    """(decode, encode) of "srgb", "gamma" or "linear"."""
    if kind == "srgb":
        return srgb_decode, srgb_encode
    power = 1.0 if kind == "linear" else gamma

    def decode(encoded: F32) -> F32:
        return np.asarray(np.clip(encoded, 0, 1) ** power, np.float32)

    def encode(linear: F32) -> F32:
        return np.asarray(np.clip(linear, 0, 1) ** (1 / power), np.float32)

    return decode, encode


def shoulder(linear: F32) -> F32:
    """Identity up to the knee, then smoothly towards 1."""
    room = 1 - SHOULDER_KNEE
    over = np.maximum(linear, SHOULDER_KNEE) - SHOULDER_KNEE
    rolled = 1 - room * np.exp(-over / room)
    return np.where(linear > SHOULDER_KNEE, rolled, linear).astype(np.float32)


def expose(linear: F32, rng: np.random.Generator, gain: float, *, clip: bool) -> F32:
    """Linear light as a sensor records it: photon and read noise, then white's limit."""
    electrons = np.minimum(linear * np.float32(gain), 16.0) * FULL_WELL_ELECTRONS
    bright = electrons > GAUSSIAN_ELECTRONS
    noise = rng.standard_normal(electrons.shape, dtype=np.float32)
    counted = np.where(bright, electrons + np.sqrt(electrons) * noise, 0)
    counted[~bright] = rng.poisson(electrons[~bright])
    read = rng.standard_normal(electrons.shape, dtype=np.float32)
    counted = counted + READ_NOISE_ELECTRONS * read
    x = (counted / FULL_WELL_ELECTRONS).astype(np.float32)
    return np.clip(x, 0, 1) if clip else shoulder(np.maximum(x, 0))


# --- masks ---------------------------------------------------------------------------


def luma_of(picture: F32) -> F32:
    """Weighted sum of the channels, Rec. 709 weights."""
    return np.asarray(picture @ np.array([0.2126, 0.7152, 0.0722], np.float32))


def make_truth(
    picture: F32, depth: F32, jump: npt.NDArray[np.bool_], kind: npt.NDArray[np.uint8]
) -> Truth:
    """Divide a known picture into regions.

    Parameters
    ----------
    picture : (H, W, 3) float32 array
        Encoded 0..1.
    depth : (H, W) float32 array
        Fractional frame number.
    jump : (H, W) bool array
        Pixels that hold a depth step of more than one frame.
    kind : (H, W) uint8 array
        0 opaque, 1 metal or mirror, 2 glass, 3 nothing.
    """
    width = picture.shape[1]
    radius = max(3, round(EDGE_BAND_PX * width / SCENE_WIDTH_PX))
    disc = cv2.getStructuringElement(
        cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)
    )
    edge = cv2.dilate(jump.astype(np.uint8), disc) > 0
    inside = np.zeros(depth.shape, bool)
    b = round(BORDER_SHARE * width)
    inside[b:-b, b:-b] = True
    luma = luma_of(picture)
    mean = cv2.boxFilter(luma, -1, (9, 9))
    spread = np.sqrt(np.maximum(cv2.boxFilter(luma * luma, -1, (9, 9)) - mean**2, 0))
    known = inside & ~edge & (kind != 3)
    interior = (spread > 0.012) & known
    return Truth(
        picture=picture,
        depth=depth,
        edge=edge & inside,
        interior=interior,
        flat=(spread < 0.004) & known & (picture.max(-1) <= 0.985),
        inside=inside,
        solid=interior & (kind == 0),
    )


def depth_steps(depth: F32) -> npt.NDArray[np.bool_]:
    """Pixels within whose 3 x 3 neighbourhood the depth changes by over one frame."""
    k3 = np.ones((3, 3), np.uint8)
    return np.asarray((cv2.dilate(depth, k3) - cv2.erode(depth, k3)) > 1.0)


# --- reading -------------------------------------------------------------------------


def sample_bracket() -> Bracket:
    """Read the sample with its truth."""
    known = json.loads((SAMPLE / "truth" / "truth.json").read_text(encoding="utf-8"))
    n = known["n_frames"]
    read = tifffile.imread
    code = read(SAMPLE / "truth" / "all_in_focus.tif")
    picture = np.asarray(code / np.float32(65535), np.float32)
    code = read(SAMPLE / "truth" / "depth.tif")
    depth = np.asarray(code, np.float32) * np.float32((n - 1) / 65535)
    kind = read(SAMPLE / "truth" / "class.tif")
    return Bracket(
        name="sample",
        frames=[read(SAMPLE / f["file"]) for f in known["frames"]],
        transforms=[np.array(f["to_middle"]) for f in known["frames"]],
        gains=np.array([f["gain"] for f in known["frames"]]),
        reference=known["middle"],
        decode=srgb_decode,
        encode=srgb_encode,
        truth=make_truth(picture, depth, depth_steps(depth), kind),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """How a camera delivered a clean bracket: which frames, with which light and curve."""

    order: list[int]
    gain: list[float]
    transfer: str = "srgb"
    gamma: float = 2.2
    clip: bool = False
    bump_px: dict[int, tuple[float, float]]


def _fractional_number(depth_mm: F32, focus_mm: F64) -> F32:
    """Depth in mm as frame number: linear in 1/distance between the frames' foci."""
    order = np.argsort(1 / focus_mm, kind="stable")
    place = np.arange(len(focus_mm), dtype=float)
    nearness = 1 / np.maximum(depth_mm, 1e-3)
    number = np.interp(nearness, (1 / focus_mm)[order], place[order])
    return np.asarray(number, np.float32)


def _scene_truth(
    folder: Path, meta: dict[str, Any], how: Delivery, encode: Callable[[F32], F32]
) -> Truth:
    size = (meta["width"], meta["height"])
    double = _linear(folder / "aif.tif", meta)
    linear = cv2.resize(double, size, interpolation=cv2.INTER_AREA)
    lit = linear * np.float32(how.gain[how.order.index(meta["middle"])])
    picture = encode(np.clip(lit, 0, 1) if how.clip else shoulder(lit))
    mm2 = tifffile.imread(folder / "depth.tif").astype(np.float32)
    mm = mm2.reshape(size[1], 2, size[0], 2).mean((1, 3))
    focus = np.array([meta["frames"][k]["focus_distance_mm"] for k in how.order])
    jump2 = depth_steps(_fractional_number(mm2, focus)).astype(np.uint8)
    jump = cv2.resize(jump2, size, interpolation=cv2.INTER_AREA) > 0
    kind = tifffile.imread(folder / "class.tif")[::2, ::2].copy()
    kind[(mm < focus.min() * 0.99) | (mm > focus.max() * 1.01)] = 3
    return make_truth(picture, _fractional_number(mm, focus), jump, kind)


def _linear(path: Path, meta: dict[str, Any]) -> F32:
    code = tifffile.imread(path).astype(np.float32)
    return np.asarray((code / np.float32(meta["encoding"]["white"])) ** 2, np.float32)


def scene_bracket(
    folder: Path,
    *,
    seed: int = 3,
    flash_sigma: float = 0.02,
    delivered: Path | None = None,
) -> Bracket:
    """Make a camera's bracket of a folder of clean frames.

    Parameters
    ----------
    folder : path
        Clean frames, truth and meta.json.
    seed, flash_sigma : int, float
        Of the noise, and of the flash's variation from frame to frame.
    delivered : path, optional
        A folder of camera files made of the same scene with their record
        (degrade.json: order, gain, transfer, gamma, clip, bump_px); they are read
        instead of made.
    """
    meta = json.loads((folder / "meta.json").read_text(encoding="utf-8"))
    n = len(meta["frames"])
    if delivered is None:
        spread = np.random.default_rng(seed).standard_normal(n)
        gains = np.exp(flash_sigma * spread)
        how = Delivery(order=list(range(n)), gain=gains.tolist(), bump_px={})
        frames = []
        for k in range(n):
            clean = _linear(folder / f"frame_{k:02d}.tif", meta)
            rng = np.random.default_rng((seed, k, k))
            seen = srgb_encode(expose(clean, rng, gains[k], clip=False))
            frames.append(np.round(seen * 65535).astype(np.uint16))
    else:
        record = json.loads((delivered / "degrade.json").read_text(encoding="utf-8"))
        bumps = {int(k): tuple(v) for k, v in record.pop("bump_px").items()}
        kept = ("order", "gain", "transfer", "gamma", "clip")
        how = Delivery(**{k: record[k] for k in kept}, bump_px=bumps)
        frames = [tifffile.imread(p) for p in sorted(delivered.glob("*.tif"))]
    decode, encode = transfer_curves(how.transfer, how.gamma)
    transforms = []
    for k in how.order:
        known = np.array(meta["frames"][k]["H_to_middle"])
        dx, dy = how.bump_px.get(k, (0.0, 0.0))
        transforms.append(known @ np.array([[1, 0, -dx], [0, 1, -dy], [0, 0, 1.0]]))
    return Bracket(
        name=meta["scene"],
        frames=frames,
        transforms=transforms,
        gains=np.array(how.gain),
        reference=how.order.index(meta["middle"]),
        decode=decode,
        encode=encode,
        truth=_scene_truth(folder, meta, how, encode),
    )
