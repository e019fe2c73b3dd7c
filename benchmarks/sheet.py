"""Contact sheet of the worst places of each method, enlarged twice."""

from collections.abc import Mapping
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from benchmarks.lens import F32

CROP_PX = (48, 72)  # rows, columns
ENLARGED = 2
PLACE_SIGMA_PX = 6.0  # an error counts as a place, not as a pixel
GAP_PX = 6
LABEL_PX = 18
TITLES = {
    "merge_mertens": "exposure fusion, contrast",
    "pyramid_selection": "selection per pyramid level",
    "argmax_blend": "sharpest frame, blended",
    "upper_reference": "best frame, known by truth",
}
"""Headings in plain words, where the method's name is none."""


def worst_place(
    picture: F32, truth: F32, mask: npt.NDArray[np.bool_], taken: list[tuple[int, int]]
) -> tuple[int, int]:
    """Centre of the crop of largest error that overlaps none of those `taken`."""
    error = ((picture - truth) ** 2).sum(-1) * mask
    error = np.asarray(cv2.GaussianBlur(error, (0, 0), PLACE_SIGMA_PX), np.float32)
    rows, columns = CROP_PX
    for r, c in taken:
        error[max(r - rows, 0) : r + rows, max(c - columns, 0) : c + columns] = 0
    h, w = error.shape
    r, c = divmod(int(error.argmax()), w)
    return (
        int(np.clip(r, min(rows // 2, h // 2), max(h - rows // 2, h // 2))),
        int(np.clip(c, min(columns // 2, w // 2), max(w - columns // 2, w // 2))),
    )


def _crop(picture: F32, place: tuple[int, int]) -> npt.NDArray[np.uint8]:
    rows, columns = CROP_PX
    top, left = max(place[0] - rows // 2, 0), max(place[1] - columns // 2, 0)
    part = picture[top : top + rows, left : left + columns]
    out = np.zeros((rows, columns, 3), np.float32)
    out[: part.shape[0], : part.shape[1]] = part
    byte = (np.clip(out, 0, 1) * 255 + 0.5).astype(np.uint8)
    return byte.repeat(ENLARGED, 0).repeat(ENLARGED, 1)


def _label(text: str, width: int, height: int) -> npt.NDArray[np.uint8]:
    strip = np.full((height, width, 3), 255, np.uint8)
    at = (4, height - 5)
    cv2.putText(
        strip, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.42, (0, 0, 0), 1, cv2.LINE_AA
    )
    return strip


def contact_sheet(
    scene: str,
    pictures: Mapping[str, F32],
    truth: F32,
    mask: npt.NDArray[np.bool_],
) -> npt.NDArray[np.uint8]:
    """Rows: the worst place of each method in turn; columns: truth and every method.

    Parameters
    ----------
    scene : str
        Its name.
    pictures : mapping of name to (H, W, 3) float32 array
        Encoded 0..1.
    truth : (H, W, 3) float32 array
        Encoded 0..1.
    mask : (H, W) bool array
        Where places are looked for.

    Returns
    -------
    (h, w, 3) uint8 array
    """
    columns = {"truth": truth, **pictures}
    cell_h, cell_w = CROP_PX[0] * ENLARGED, CROP_PX[1] * ENLARGED
    step = cell_w + GAP_PX
    width = step * len(columns)
    heading = np.full((LABEL_PX, width, 3), 255, np.uint8)
    for i, name in enumerate(columns):
        heading[:, i * step : i * step + cell_w] = _label(
            TITLES.get(name, name), cell_w, LABEL_PX
        )
    parts = [heading]
    taken: list[tuple[int, int]] = []
    for name, picture in pictures.items():
        place = worst_place(picture, truth, mask, taken)
        taken.append(place)
        row = np.full((cell_h, width, 3), 255, np.uint8)
        for i, other in enumerate(columns.values()):
            row[:, i * step : i * step + cell_w] = _crop(other, place)
        text = f"{scene}: worst place of: {TITLES.get(name, name)} "
        text += f"(row {place[0]}, column {place[1]}), 200 %"
        parts += [_label(text, width, LABEL_PX), row]
    return np.vstack(parts)


def write_sheet(path: Path, sheets: list[npt.NDArray[np.uint8]]) -> None:
    """Write sheets one below the other as PNG."""
    width = max(s.shape[1] for s in sheets)
    padded = [
        np.pad(s, ((0, GAP_PX), (0, width - s.shape[1]), (0, 0)), constant_values=255)
        for s in sheets
    ]
    # enlarged pixels shrink threefold under every filter, which OpenCV does not try
    Image.fromarray(np.vstack(padded)).save(path, optimize=True)
