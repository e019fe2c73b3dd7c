"""Sharpness: pooled squared Laplacian of luma, at half size."""

from typing import Any

import numpy as np

from stacker.arrays.smoothing import edge_padded, halved

__all__ = ["LUMA", "half_energy", "luma_of"]

LUMA = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709-6, 3.2


def luma_of(raw: Any) -> Any:
    """Luma 0..1 of (H, W, C) codes, (H, W) float32."""
    scale = 1 / np.iinfo(raw.dtype).max
    if raw.shape[2] == 1:
        return raw[..., 0].astype(np.float32) * np.float32(scale)
    parts = [raw[..., c].astype(np.float32) for c in range(3)]
    return sum(
        np.float32(k * scale) * part for k, part in zip(LUMA, parts, strict=True)
    )


def half_energy(xp: Any, raw: Any) -> tuple[Any, Any]:
    """Squared 4-neighbour Laplacian of luma and luma itself, each averaged 2 x 2.

    `raw` is (H, W, C) uint8 or uint16; the results are (ceil(H/2), ceil(W/2)) float32.
    """
    luma = luma_of(raw)
    wide = edge_padded(xp, luma, 1, (1, 1))
    beside = wide[1:-1, :-2] + wide[1:-1, 2:] + wide[:-2, 1:-1] + wide[2:, 1:-1]
    laplacian = beside - np.float32(4) * luma
    return halved(xp, laplacian * laplacian), halved(xp, luma)
