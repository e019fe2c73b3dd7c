"""Small 8-bit pictures for the page, as ``data:`` addresses.

The picture as JPEG in sRGB; depth, coverage and confidence as PNG. Everything is reduced
first and converted after, so that the cost does not grow with the master.
"""

import base64
from dataclasses import dataclass
from io import BytesIO

import numpy as np
import numpy.typing as npt
from PIL import Image

from stacker._opencv import area_reduce
from stacker.files import to_srgb8
from stacker.frame import FusionResult, Pixels
from stacker.report.colours import cividis, frame_colours

__all__ = ["EmbeddedImage", "PageImages", "page_images", "srgb_preview"]

PICTURE_SIDE_MAX_PX = 2048
MAP_SIDE_MAX_PX = 1024
JPEG_QUALITY = 88
"""No visible blocking at 100 % on the sample; about 0.6 MB for a 2048 px preview."""


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
    """

    picture: EmbeddedImage
    depth: EmbeddedImage
    coverage: EmbeddedImage
    confidence: EmbeddedImage


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


def page_images(result: FusionResult, preview: npt.NDArray[np.uint8]) -> PageImages:
    """Make the pictures of the page from a finished fusion.

    Parameters
    ----------
    result : FusionResult
        Not modified.
    preview : (h, w, 3) uint8 array
        The picture as `srgb_preview` makes it.

    Returns
    -------
    PageImages
    """
    depth = _averaged(result.depth, MAP_SIDE_MAX_PX)
    labels = _sampled(result.coverage, MAP_SIDE_MAX_PX)
    confidence = _averaged(result.confidence, MAP_SIDE_MAX_PX)
    # 65535 / 257 = 255: the whole range of the depth map onto the colour table.
    depth_steps = ((depth.astype(np.uint32) + 128) // 257).astype(np.uint8)
    return PageImages(
        picture=_jpeg(preview),
        depth=_coloured_png(depth_steps, cividis()),
        coverage=_coloured_png(labels, frame_colours(len(result.frames))),
        confidence=_png(Image.fromarray(confidence)),
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


def _coloured_png(steps: Pixels, table: npt.NDArray[np.uint8]) -> EmbeddedImage:
    """Encode `steps` as a palette PNG, or as RGB where a palette has too few entries."""
    if len(table) > 256:
        return _png(Image.fromarray(table[steps]))
    image = Image.fromarray(steps.astype(np.uint8))
    image.putpalette(table.tobytes())
    return _png(image)


def _png(image: Image.Image) -> EmbeddedImage:
    return _embedded(image, "PNG")


def _jpeg(pixels: npt.NDArray[np.uint8]) -> EmbeddedImage:
    return _embedded(Image.fromarray(pixels), "JPEG", quality=JPEG_QUALITY)


def _embedded(image: Image.Image, kind: str, **options: int) -> EmbeddedImage:
    buffer = BytesIO()
    image.save(buffer, kind, **options)
    data = base64.b64encode(buffer.getbuffer()).decode("ascii")
    return EmbeddedImage(
        url=f"data:image/{kind.lower()};base64,{data}",
        width=image.width,
        height=image.height,
    )
