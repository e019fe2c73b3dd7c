"""Colours of the report: ordered in lightness, told apart by colour-blind eyes.

One map for everything that runs from the first frame to the last: cividis (Nunez,
Anderton & Renslow 2018, "Optimizing colormaps with consideration for color vision
deficiency to enable accurate interpretation of scientific data", PLoS ONE 13(7),
doi:10.1371/journal.pone.0199239), in OpenCV's table of 256 steps.
"""

from functools import cache
from typing import cast

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["Rgb", "cividis", "frame_colours", "hex_colour", "ink_on"]

Rgb = tuple[int, int, int]

_BLACK: Rgb = (0, 0, 0)
_WHITE: Rgb = (255, 255, 255)


@cache
def cividis() -> npt.NDArray[np.uint8]:
    """Colour table from dark blue to light yellow, (256, 3) uint8 RGB."""
    ramp = np.arange(256, dtype=np.uint8).reshape(256, 1)
    bgr = cast("npt.NDArray[np.uint8]", cv2.applyColorMap(ramp, cv2.COLORMAP_CIVIDIS))
    return np.ascontiguousarray(bgr.reshape(256, 3)[:, ::-1])


def frame_colours(n_frames: int) -> npt.NDArray[np.uint8]:
    """One colour per frame, first dark, last light, (n_frames, 3) uint8 RGB."""
    steps = np.linspace(0, 255, n_frames).round().astype(np.intp)
    return cividis()[steps]


def hex_colour(rgb: npt.NDArray[np.uint8]) -> str:
    """Write a colour as CSS does.

    Examples
    --------
    >>> hex_colour(np.array([0, 34, 78], np.uint8))
    '#00224e'
    """
    return "#" + bytes(rgb.tolist()).hex()


def ink_on(rgb: npt.NDArray[np.uint8]) -> str:
    """Colour of text on `rgb`: black or white, whichever has the higher contrast.

    The better of the two always reaches 4.58:1, above the 4.5:1 of WCAG 2.2 (1.4.3).

    Examples
    --------
    >>> ink_on(np.array([0, 34, 78], np.uint8)), ink_on(np.array([254, 232, 56], np.uint8))
    ('#ffffff', '#000000')
    """
    encoded = rgb / 255
    # Relative luminance and contrast as WCAG 2.2 defines them.
    linear = np.where(
        encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4
    )
    luminance = float(linear @ (0.2126, 0.7152, 0.0722))
    on_white = 1.05 / (luminance + 0.05)
    on_black = (luminance + 0.05) / 0.05
    return "#ffffff" if on_white > on_black else "#000000"
