"""Pictures of the page, 8 bit, as ``data:`` addresses.

The picture and the frames as JPEG in sRGB; depth, coverage and confidence as PNG. All is
reduced first and converted after, so that the cost does not grow with the master; only
the crops are at full size, and there are few of them.
"""

import base64
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from io import BytesIO

import numpy as np
import numpy.typing as npt
from PIL import Image

from stacker._opencv import area_reduce
from stacker.files import to_srgb8
from stacker.frame import Box, FusionResult, Pixels
from stacker.report.bystander import aligned_preview
from stacker.report.colours import cividis, frame_colours
from stacker.report.places import Place
from stacker.resample import AlignedFrames

__all__ = [
    "EmbeddedImage",
    "PageImages",
    "PlaceImages",
    "embedded_frames",
    "page_images",
    "srgb_preview",
]

PICTURE_SIDE_MAX_PX = 2048
AT_ONCE = 4  # pictures made and encoded side by side
MAP_SIDES_PX = (1024, 640, 400)
"""Larger side of the maps: the first at which they keep to their budget."""
FRAME_SIDE_MAX_PX, FRAME_SIDE_MIN_PX = 1024, 480
JPEG_QUALITY = 88
"""No visible blocking at 100 % on the sample; about 0.6 MB for a 2048 px preview."""
LOWER_QUALITIES = (80, 70, 60, 45, 30, 15)
"""Tried in turn where pictures of much detail or noise take more than their budget."""

# Bytes of JPEG; as text in the page they take 4/3 of that. Together with the maps (bytes
# of text) the page stays below 8 MB whatever the bracket holds.
PICTURE_BUDGET, FRAMES_BUDGET, CROPS_BUDGET = 1_200_000, 1_500_000, 1_600_000
MAPS_BUDGET = 1_800_000
BYTES_PER_PIXEL = 0.12
"""Of a frame's JPEG, for choosing its size; measured 0.03 to 0.15 on photographs."""

Aligned = Callable[[int, Box], Pixels]
"""Pixels of a frame, by number, in a region of the master."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EmbeddedImage:
    """A picture inside the page.

    Attributes
    ----------
    url : str
        ``data:`` address with the whole file.
    width, height : int
        Its size in pixels.
    """

    url: str
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceImages:
    """A place at full size.

    Attributes
    ----------
    place : Place
        Where and why.
    fused : EmbeddedImage
        The master there.
    sources : tuple of (int, EmbeddedImage)
        Frames that supplied it, by number.
    """

    place: Place
    fused: EmbeddedImage
    sources: tuple[tuple[int, EmbeddedImage], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PageImages:
    """All pictures of the page.

    Attributes
    ----------
    picture : EmbeddedImage
        The master in sRGB, at most 2048 px wide and high.
    depth, coverage : EmbeddedImage
        From the first frame (dark blue) to the last (light yellow), at most 1024 px.
    confidence : EmbeddedImage
        Black where the depth is a guess, white where it is certain.
    values : EmbeddedImage
        The same maps as numbers, for the page's script: grey pictures below each other,
        coverage modulo 256, coverage div 256, depth in 1/255, confidence in 1/255.
    frames : tuple of (EmbeddedImage or None)
        Each frame on the master's grid, small; None where it is not at hand.
    places : tuple of PlaceImages
        At full size.
    """

    picture: EmbeddedImage
    depth: EmbeddedImage
    coverage: EmbeddedImage
    confidence: EmbeddedImage
    values: EmbeddedImage
    frames: tuple[EmbeddedImage | None, ...] = ()
    places: tuple[PlaceImages, ...] = ()


def srgb_preview(picture: Pixels, icc_profile: bytes | None) -> npt.NDArray[np.uint8]:
    """Reduce the master for the screen.

    Parameters
    ----------
    picture : (H, W) or (H, W, 3) uint8 or uint16 array
        Not modified.
    icc_profile : bytes or None
        Its profile; None is taken for sRGB.

    Returns
    -------
    (h, w, 3) uint8 array
        In sRGB, at most 2048 px wide and high.
    """
    return to_srgb8(_averaged(picture, PICTURE_SIDE_MAX_PX), icc_profile)


def page_images(
    result: FusionResult,
    preview: npt.NDArray[np.uint8],
    *,
    frames: Sequence[EmbeddedImage | None] = (),
    places: Sequence[Place] = (),
    aligned: Aligned | None = None,
    icc_profile: bytes | None = None,
) -> PageImages:
    """Make the pictures of the page from a finished fusion.

    Parameters
    ----------
    result : FusionResult
        Not modified.
    preview : (h, w, 3) uint8 array
        The picture as `srgb_preview` makes it.
    frames : sequence of EmbeddedImage or None
        From `embedded_frames`.
    places : sequence of Place
        To be shown at full size.
    aligned : callable, optional
        Gives the pixels of a frame in a region; without it places show the master only.
    icc_profile : bytes or None
        The master's profile.

    Returns
    -------
    PageImages
    """
    depth, coverage, confidence, values = _maps(result)
    return PageImages(
        picture=_jpegs([preview], PICTURE_BUDGET)[0],
        depth=depth,
        coverage=coverage,
        confidence=confidence,
        values=values,
        frames=tuple(frames),
        places=_place_images(result, places, aligned, icc_profile),
    )


def _maps(result: FusionResult) -> tuple[EmbeddedImage, ...]:
    """Depth, coverage, confidence, and their values; smaller where they are noisy."""
    images: tuple[EmbeddedImage, ...] = ()
    depth: Pixels = result.depth
    confidence: Pixels = result.confidence
    for side in MAP_SIDES_PX:
        # Each from the larger one before.
        depth, confidence = _averaged(depth, side), _averaged(confidence, side)
        labels = _sampled(result.coverage, side)
        # 65535 / 257 = 255: the whole range of the depth map onto the colour table.
        steps = ((depth.astype(np.uint32) + 128) // 257).astype(np.uint8)
        planes = [labels & 255, labels >> 8, steps, confidence]
        pictures = (
            _coloured(steps, cividis()),
            _coloured(labels, frame_colours(len(result.frames))),
            Image.fromarray(confidence),
            Image.fromarray(np.concatenate(planes, axis=0, dtype=np.uint8)),
        )
        with ThreadPoolExecutor(AT_ONCE) as pool:
            images = tuple(pool.map(_png, pictures))
        if sum(len(i.url) for i in images) <= MAPS_BUDGET:
            break
    return images


def embedded_frames(
    small: Mapping[int, Pixels], aligned: AlignedFrames, icc_profile: bytes | None
) -> tuple[EmbeddedImage | None, ...]:
    """Embed the frames on the master's grid, all of one size, smaller the more there are.

    Parameters
    ----------
    small : mapping of int to (h, w) or (h, w, 3) uint8 or uint16 array
        Reduced frames as they were read, by number; those left out are passed over.
    aligned : AlignedFrames
        Knows where and how bright they belong.
    icc_profile : bytes or None
        Their profile.

    Returns
    -------
    tuple of (EmbeddedImage or None)
        One entry per frame of the bracket.
    """
    numbers = [k for k in sorted(small) if aligned.frames[k].used]
    if not numbers:
        return (None,) * len(aligned.frames)
    height, width = small[numbers[0]].shape[:2]
    affordable = FRAMES_BUDGET / len(numbers) / BYTES_PER_PIXEL
    side = round((affordable * max(height, width) / min(height, width)) ** 0.5)
    side = min(max(side, FRAME_SIDE_MIN_PX), FRAME_SIDE_MAX_PX)

    def show(k: int) -> npt.NDArray[np.uint8]:
        moved = aligned_preview(
            small[k], aligned.frames[k], aligned.curves(k), aligned.shape
        )
        return to_srgb8(_averaged(moved, side), icc_profile)

    with ThreadPoolExecutor(AT_ONCE) as pool:
        shown = list(pool.map(show, numbers))
    embedded = dict(zip(numbers, _jpegs(shown, FRAMES_BUDGET), strict=True))
    return tuple(embedded.get(k) for k in range(len(aligned.frames)))


def _place_images(
    result: FusionResult,
    places: Sequence[Place],
    aligned: Aligned | None,
    icc_profile: bytes | None,
) -> tuple[PlaceImages, ...]:
    crops: list[Pixels] = []
    numbers: list[list[int]] = []
    # Frame by frame would read each once; crops are small, and files are in the cache.
    for place in places:
        rows = slice(place.box.row, place.box.row + place.box.height)
        columns = slice(place.box.column, place.box.column + place.box.width)
        crops.append(result.picture[rows, columns])
        shown = [f.frame for f in place.frames if result.frames[f.frame].used]
        numbers.append(shown if aligned else [])
        crops += [aligned(k, place.box) for k in shown] if aligned else []
    images = iter(_jpegs([to_srgb8(c, icc_profile) for c in crops], CROPS_BUDGET))
    return tuple(
        PlaceImages(
            place=place,
            fused=next(images),
            sources=tuple([(k, next(images)) for k in frames]),
        )
        for place, frames in zip(places, numbers, strict=True)
    )


def _preview_shape(shape: tuple[int, ...], side_max_px: int) -> tuple[int, int]:
    """Height and width that fit `side_max_px` either way; never more than `shape`."""
    factor = min(1.0, side_max_px / max(shape[:2]))
    return max(1, round(shape[0] * factor)), max(1, round(shape[1] * factor))


def _averaged(pixels: Pixels, side_max_px: int) -> Pixels:
    """Reduce `pixels` by area to at most `side_max_px`, in its own type."""
    reduced: Pixels = area_reduce(pixels, _preview_shape(pixels.shape, side_max_px))
    return reduced


def _sampled(labels: Pixels, side_max_px: int) -> Pixels:
    """Reduce a map of numbers, which must not be averaged: the middle pixel of each."""
    height, width = _preview_shape(labels.shape, side_max_px)
    rows = (2 * np.arange(height) + 1) * labels.shape[0] // (2 * height)
    columns = (2 * np.arange(width) + 1) * labels.shape[1] // (2 * width)
    sampled: Pixels = labels[rows[:, None], columns]
    return sampled


def _coloured(steps: Pixels, table: npt.NDArray[np.uint8]) -> Image.Image:
    """Colour `steps` by a palette, or as RGB where a palette has too few entries."""
    if len(table) > 256:
        return Image.fromarray(table[steps])
    image = Image.fromarray(steps.astype(np.uint8))
    image.putpalette(table.tobytes())
    return image


def _png(image: Image.Image) -> EmbeddedImage:
    buffer = BytesIO()
    image.save(buffer, "PNG")
    return _embedded(buffer.getvalue(), "png", image.size)


def _jpegs(
    pictures: Sequence[npt.NDArray[np.uint8]], budget: int
) -> list[EmbeddedImage]:
    """Encode pictures at the best quality at which all together keep to the budget."""
    files: list[bytes] = []
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for quality in (JPEG_QUALITY, *LOWER_QUALITIES):
            files = list(pool.map(partial(_jpeg, quality=quality), pictures))
            if sum(len(f) for f in files) <= budget:
                break
    return [
        _embedded(f, "jpeg", (p.shape[1], p.shape[0]))
        for f, p in zip(files, pictures, strict=True)
    ]


def _jpeg(pixels: npt.NDArray[np.uint8], quality: int) -> bytes:
    buffer = BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()


def _embedded(file: bytes, kind: str, size_wh: tuple[int, int]) -> EmbeddedImage:
    data = base64.b64encode(file).decode("ascii")
    return EmbeddedImage(
        url=f"data:image/{kind};base64,{data}", width=size_wh[0], height=size_wh[1]
    )
