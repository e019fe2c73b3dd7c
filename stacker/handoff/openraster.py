"""One file with layers in OpenRaster, the open exchange format for layered pictures.

The layers are PNG files of 16 bit, but programs make an 8-bit document of them: for
retouching at full depth the layered TIFF is the better one.

References
----------
OpenRaster, freedesktop.org draft 0.0.5: File layout (mimetype first and stored, stack.xml,
data, mergedimage.png, Thumbnails/thumbnail.png of at most 256 px), Layers stack (the first
layer is the uppermost).
"""

import zipfile
from io import BytesIO
from pathlib import Path
from types import TracebackType
from typing import Self
from xml.etree import ElementTree as ET

import numpy as np
import numpy.typing as npt
from PIL import Image

from stacker.files.embed import png_with_profile
from stacker.frame import Pixels
from stacker.handoff.opened import as_16_bit

__all__ = ["OpenRasterWriter"]

_VERSION = "0.0.5"
_THUMBNAIL_SIDE_PX = 256


class OpenRasterWriter:
    """Writes the layers one after the other, lowest first; use it in a ``with`` block.

    Parameters
    ----------
    path : Path
        Overwritten if it exists.
    master : (H, W) or (H, W, 3) uint8 or uint16 array
        The lowest layer and the merged picture.
    thumbnail : (h, w, 3) uint8 array
        The master in sRGB, small.
    icc_profile : bytes or None
        Profile of all layers.
    """

    def __init__(
        self,
        path: Path,
        master: Pixels,
        thumbnail: npt.NDArray[np.uint8],
        *,
        icc_profile: bytes | None,
    ) -> None:
        self._icc_profile = icc_profile
        self._file = zipfile.ZipFile(path, "w", zipfile.ZIP_STORED)
        self._file.writestr("mimetype", "image/openraster")
        self._image = ET.Element(
            "image",
            version=_VERSION,
            w=str(master.shape[1]),
            h=str(master.shape[0]),
        )
        self._stack = ET.SubElement(self._image, "stack")
        merged = png_with_profile(as_16_bit(master), icc_profile)
        self._file.writestr("data/fused.png", merged)
        self._file.writestr("mergedimage.png", merged)
        small = Image.fromarray(thumbnail)
        small.thumbnail((_THUMBNAIL_SIDE_PX, _THUMBNAIL_SIDE_PX))
        buffer = BytesIO()
        small.save(buffer, "PNG")
        self._file.writestr("Thumbnails/thumbnail.png", buffer.getvalue())
        self._layer("fused", "data/fused.png", 0, 0)

    def add(self, pixels: Pixels, name: str, mask: npt.NDArray[np.uint8]) -> None:
        """Write the next layer upwards, cut to where its mask is not 0.

        Parameters
        ----------
        pixels : (H, W) or (H, W, 3) uint8 or uint16 array
            Not modified.
        name : str
            Of the layer.
        mask : (H, W) uint8 array
            Its alpha.
        """
        rows, columns = (
            np.flatnonzero(mask.any(axis=1)),
            np.flatnonzero(mask.any(axis=0)),
        )
        if len(rows) == 0:
            rows = columns = np.zeros(1, np.intp)
        part = (
            slice(int(rows[0]), int(rows[-1]) + 1),
            slice(int(columns[0]), int(columns[-1]) + 1),
        )
        shown = as_16_bit(pixels[part])
        planes = shown[..., None] if shown.ndim == 2 else shown
        alpha = mask[part].astype(np.uint16)[..., None] * np.uint16(257)
        data = png_with_profile(
            np.concatenate([planes, alpha], axis=2), self._icc_profile
        )
        file = f"data/layer{len(self._stack):03}.png"
        self._file.writestr(file, data)
        self._layer(name, file, int(columns[0]), int(rows[0]))

    def _layer(self, name: str, file: str, x: int, y: int) -> None:
        layer = ET.Element(
            "layer",
            {
                "name": name.encode("utf-8", "replace").decode("utf-8"),
                "src": file,
                "x": str(x),
                "y": str(y),
                "opacity": "1.0",
                "visibility": "visible",
                "composite-op": "svg:src-over",
            },
        )
        self._stack.insert(0, layer)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            text = ET.tostring(self._image, encoding="UTF-8", xml_declaration=True)
            self._file.writestr("stack.xml", text, zipfile.ZIP_DEFLATED)
        self._file.close()
