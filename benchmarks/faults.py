"""Brackets with one fault each, made of clean frames in linear light.

`FAULTS` lists what can go wrong at the camera at the size that a person would care
about; `deliver` makes of a clean bracket and a fault the frames that a camera delivers.
Sizes in pixels are stated for a picture 1500 px wide.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from benchmarks.brackets import SCENE_WIDTH_PX, expose, luma_of, srgb_encode
from benchmarks.lens import F32
from benchmarks.shoots import CleanBracket, through_jpeg
from stacker.frame import FrameInfo

__all__ = ["FAULTS", "Fault", "deliver"]

Alter = Callable[[F32], F32]


@dataclass(slots=True, kw_only=True)
class Shooting:
    """What happens at the camera, frame by frame; faults change this."""

    bracket: CleanBracket
    rng: np.random.Generator
    order: list[int]
    gain: npt.NDArray[np.float64]
    clip: bool = False
    alter: dict[int, Alter] = field(default_factory=dict)
    shade: F32 | None = None
    f_number: dict[int, float] = field(default_factory=dict)
    tint: dict[int, tuple[float, float, float]] = field(default_factory=dict)
    same_noise: set[int] = field(default_factory=set)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault: how it comes about and by which codes it counts as found.

    Attributes
    ----------
    happen : callable
        Changes a `Shooting`.
    codes : tuple of str
        Any of them; none for the clean bracket.
    may_add : tuple of str
        Codes that follow from it and are no false alarms.
    """

    happen: Callable[[Shooting], None]
    codes: tuple[str, ...]
    may_add: tuple[str, ...] = ()


# --- what can happen -----------------------------------------------------------------


def _px(bracket: CleanBracket, pixels: float) -> float:
    return pixels * bracket.width / SCENE_WIDTH_PX


def moved_by(image: F32, dx: float, dy: float) -> F32:
    """Shift by whole pixels, edges mirrored: parts of a pixel would ring or blur."""
    x, y = round(dx), round(dy)
    pad = max(abs(x), abs(y)) + 1
    wide = np.pad(image, ((pad, pad), (pad, pad), (0, 0)), mode="reflect")
    h, w = image.shape[:2]
    return np.ascontiguousarray(wide[pad - y : pad - y + h, pad - x : pad - x + w])


def shaken_by(image: F32, dx: float, dy: float) -> F32:
    """Blur along a straight line of this length."""
    places = np.linspace(-0.5, 0.5, 8 * int(np.ceil(max(abs(dx), abs(dy)))) + 1)
    size = (image.shape[1], image.shape[0])
    total = np.zeros_like(image)
    for t in places:
        matrix = np.array([[1, 0, dx * t], [0, 1, dy * t]], np.float32)
        total += cv2.warpAffine(image, matrix, size, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(total / len(places), np.float32)


def patched(image: F32, pixels: float) -> F32:
    """Move a square of a seventh of the width sideways."""
    h, w = image.shape[:2]
    side, shift = int(0.15 * w), max(1, round(pixels))
    y, x = int(0.4 * h), int(0.3 * w)
    out = image.copy()
    out[y : y + side, x : x + side] = image[y : y + side, x - shift : x - shift + side]
    return out


def _dust(bracket: CleanBracket, n: int, rng: np.random.Generator) -> F32:
    """Multiplicative shading of soft specks, 0.2 to 0.7 % of the width in radius."""
    y, x = np.mgrid[: bracket.height, : bracket.width].astype(np.float32)
    shade = np.ones((bracket.height, bracket.width), np.float32)
    for _ in range(n):
        cx, cy = rng.uniform(0, bracket.width), rng.uniform(0, bracket.height)
        radius, depth = (
            rng.uniform(0.002, 0.007) * bracket.width,
            rng.uniform(0.12, 0.45),
        )
        away = np.clip((np.hypot(x - cx, y - cy) / radius - 1) * 6, -30, 30)
        shade *= (1 - depth / (1 + np.exp(away))).astype(np.float32)
    return shade


def _middle(s: Shooting) -> int:
    return s.order[len(s.order) // 2]


def _drop(s: Shooting) -> None:
    # With neighbours on both sides.
    margin = 2 if len(s.order) > 5 else 1
    del s.order[int(s.rng.integers(margin, len(s.order) - margin))]


def _cut_first(s: Shooting) -> None:
    del s.order[: max(2, s.bracket.n_frames // 4)]


def _cut_last(s: Shooting) -> None:
    del s.order[-max(2, s.bracket.n_frames // 4) :]


def _halve_first(s: Shooting) -> None:
    del s.order[: s.bracket.n_frames // 2]


def _halve_last(s: Shooting) -> None:
    del s.order[-(s.bracket.n_frames // 2) :]


def _repeat(s: Shooting) -> None:
    k = int(s.rng.integers(1, len(s.order) - 1))
    s.order.insert(k, s.order[k])


def _copy(s: Shooting) -> None:
    k = _middle(s)
    s.order.insert(s.order.index(k), k)
    s.same_noise.add(k)


def _shuffle(s: Shooting) -> None:
    s.order = [s.order[i] for i in s.rng.permutation(len(s.order))]


def _bump(
    pixels: float,
) -> Callable[[Shooting], None]:
    def happen(s: Shooting) -> None:
        k, angle = (
            s.order[int(s.rng.integers(0, len(s.order)))],
            s.rng.uniform(0, 2 * np.pi),
        )
        far = _px(s.bracket, pixels)
        s.alter[k] = lambda x: moved_by(x, far * np.cos(angle), far * np.sin(angle))

    return happen


def _shift_for_good(s: Shooting) -> None:
    far = _px(s.bracket, 8.0)
    for k in s.order[len(s.order) // 2 :]:
        s.alter[k] = lambda x: moved_by(x, far, far / 2)


def _flash(
    stops: float,
) -> Callable[[Shooting], None]:
    def happen(s: Shooting) -> None:
        s.gain[int(s.rng.choice(s.order))] *= 2.0**stops

    return happen


def _drift(s: Shooting) -> None:
    s.gain *= 2.0 ** np.linspace(0, -0.4, len(s.gain))


def _colour(s: Shooting) -> None:
    s.tint[_middle(s)] = (1.06, 1.0, 0.93)


def _clip(s: Shooting) -> None:
    s.clip = True


def _shake(s: Shooting) -> None:
    s.alter[_middle(s)] = lambda x: shaken_by(
        x, _px(s.bracket, 4.0), _px(s.bracket, 2.0)
    )


def _thing(s: Shooting) -> None:
    for k in s.order[len(s.order) // 2 :]:
        s.alter[k] = lambda x: patched(x, _px(s.bracket, 8.0))


def _thing_once(s: Shooting) -> None:
    s.alter[_middle(s)] = lambda x: patched(x, _px(s.bracket, 8.0))


def _specks(s: Shooting) -> None:
    s.shade = _dust(s.bracket, 6, s.rng)


def _other_picture(s: Shooting) -> None:
    s.alter[_middle(s)] = lambda x: np.ascontiguousarray(x[::-1, ::-1])


def _aperture(s: Shooting) -> None:
    s.f_number[_middle(s)] = s.bracket.f_number * 1.4


def _nothing(s: Shooting) -> None:
    pass


FAULTS: dict[str, Fault] = {
    "clean": Fault(happen=_nothing, codes=()),
    "frame dropped": Fault(happen=_drop, codes=("gap",)),
    "first quarter missing": Fault(happen=_cut_first, codes=("missing_first_end",)),
    "last quarter missing": Fault(happen=_cut_last, codes=("missing_last_end",)),
    "first half missing": Fault(happen=_halve_first, codes=("missing_first_end",)),
    "last half missing": Fault(happen=_halve_last, codes=("missing_last_end",)),
    "frame repeated": Fault(happen=_repeat, codes=("same_focus",)),
    "frame copied": Fault(happen=_copy, codes=("duplicate_frame",)),
    "shuffled": Fault(happen=_shuffle, codes=("wrong_order",)),
    "bumped 3 px": Fault(
        happen=_bump(3.0), codes=("frame_knocked",), may_add=("thing_moved",)
    ),
    "bumped 7 px": Fault(
        happen=_bump(7.0), codes=("frame_knocked",), may_add=("thing_moved",)
    ),
    "bumped 15 px": Fault(
        happen=_bump(15.0), codes=("frame_knocked",), may_add=("thing_moved",)
    ),
    "moved for good": Fault(
        happen=_shift_for_good, codes=("set_moved",), may_add=("thing_moved",)
    ),
    "flash +0.15 EV": Fault(happen=_flash(0.15), codes=("flash_misfire",)),
    "flash -0.15 EV": Fault(happen=_flash(-0.15), codes=("flash_misfire",)),
    "flash at half power": Fault(happen=_flash(-1.0), codes=("flash_misfire",)),
    "flash drifts": Fault(happen=_drift, codes=("flash_drift",)),
    "flash of another colour": Fault(happen=_colour, codes=("colour_shift",)),
    "highlights cut off": Fault(
        happen=_clip, codes=("highlights_clipped",), may_add=("highlights_grow",)
    ),
    "shaken": Fault(happen=_shake, codes=("camera_shake",)),
    "thing moved": Fault(happen=_thing, codes=("thing_moved",)),
    "thing moved once": Fault(happen=_thing_once, codes=("thing_moved",)),
    "dust": Fault(happen=_specks, codes=("dust",)),
    "other picture": Fault(
        happen=_other_picture, codes=("other_picture",), may_add=("gap",)
    ),
    "other aperture": Fault(happen=_aperture, codes=("mixed_aperture",)),
}


# --- frames as delivered -------------------------------------------------------------


def deliver(
    bracket: CleanBracket,
    fault: Fault,
    *,
    seed: int = 1,
    flash_sigma: float = 0.02,
    bits: int = 16,
) -> tuple[Iterator[npt.NDArray[Any]], list[FrameInfo]]:
    """Shoot a clean bracket with a fault.

    Returns
    -------
    frames : iterator of (H, W, 3) or (H, W) uint16 or uint8 arrays
        sRGB-encoded.
    infos : list of FrameInfo
        What their headers would say.
    """
    n = bracket.n_frames
    bits = 8 if bracket.is_jpeg else bits
    spread = np.random.default_rng(seed).standard_normal(n)
    shooting = Shooting(
        bracket=bracket,
        rng=np.random.default_rng((seed, n)),
        order=list(range(n)),
        gain=np.exp(flash_sigma * spread),
    )
    fault.happen(shooting)
    infos = [
        FrameInfo(
            name=f"{bracket.name}_{i:03d}.tif",
            height=bracket.height,
            width=bracket.width,
            n_channels=1 if bracket.is_grey else 3,
            bit_depth=bits,
            focal_length_mm=bracket.focal_length_mm,
            f_number=shooting.f_number.get(k, bracket.f_number),
            focus_distance_mm=bracket.focus_mm[k],
        )
        for i, k in enumerate(shooting.order)
    ]
    return _frames(shooting, seed, bits), infos


def _frames(shooting: Shooting, seed: int, bits: int) -> Iterator[npt.NDArray[Any]]:
    top, kind = (65535, np.uint16) if bits == 16 else (255, np.uint8)
    for i, k in enumerate(shooting.order):
        linear = shooting.bracket.read(k)
        if k in shooting.alter:
            linear = shooting.alter[k](linear)
        if k in shooting.tint:
            linear = linear * np.array(shooting.tint[k], np.float32)
        if shooting.shade is not None:
            linear = linear * shooting.shade[..., None]
        # A second exposure of the same focus has noise of its own, a copy has not.
        rng = np.random.default_rng((seed, k, 0 if k in shooting.same_noise else i))
        seen = expose(linear, rng, float(shooting.gain[k]), clip=shooting.clip)
        seen = luma_of(seen) if shooting.bracket.is_grey else seen
        frame = np.round(srgb_encode(seen) * top).astype(kind)
        yield through_jpeg(frame) if shooting.bracket.is_jpeg else frame
