"""What of the frames is kept out of the picture: dust on the sensor, things that moved."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from stacker.depth import FocusMaps
from stacker.frame import Box, Finding, Matrix3x3
from stacker.fusion import Unused
from stacker.geometry import HALF_TO_FULL
from stacker.inspection import Speck

__all__ = ["keep_out", "on_specks"]

# The shade of a speck is soft: it reaches beyond what is found of it.
SPECK_REACH, SPECK_MARGIN_PX = 1.4, 2.0
# From this certainty on a place says which frame is in focus there.
SURE = 0.5


def keep_out(
    findings: Sequence[Finding],
    specks: Sequence[Speck],
    numbers: Sequence[int],
    maps: FocusMaps,
) -> tuple[Unused, list[Finding]]:
    """Choose what the fusion leaves out, and say so in the findings.

    Parameters
    ----------
    findings : sequence of Finding
        Of the inspection; regions on the master.
    specks : sequence of Speck
        Dust that was found.
    numbers : sequence of int
        The bracket's number of each used frame, rising.
    maps : FocusMaps
        On the master's grid: where which frame is in focus.

    Returns
    -------
    unused : Unused
    findings : list of Finding
        The same, those acted on with a word about it.
    """
    boxes: list[tuple[int, int, int, int, int]] = []
    said = []
    for finding in findings:
        if finding.code == "thing_moved" and finding.region is not None:
            half = _half_box(finding.region, maps.index.shape)
            out = _frames_out(finding, half, numbers, maps)
            boxes += [(k, *half) for k in out]
            if out:
                kept_out = ", ".join(str(numbers[k]) for k in out)
                word = "frame" if len(out) == 1 else "frames"
                message = f"{finding.message} Not used there: {word} {kept_out}."
                finding = replace(finding, message=message)  # noqa: PLW2901
        if finding.code == "dust":
            message = f"{finding.message} Not used where a clean frame is in focus."
            finding = replace(finding, message=message)  # noqa: PLW2901
        said.append(finding)
    places = [(s.x, s.y, SPECK_REACH * s.radius_px + SPECK_MARGIN_PX) for s in specks]
    unused = Unused(
        specks=np.asarray(places, np.float64).reshape(-1, 3),
        boxes=np.asarray(boxes, np.int64).reshape(-1, 5),
    )
    return unused, said


def on_specks(
    specks: npt.NDArray[np.float64],
    to_master: Sequence[Matrix3x3],
    shape: tuple[int, int],
) -> npt.NDArray[np.bool_]:
    """Where on the master any frame has a speck.

    Parameters
    ----------
    specks : (k, 3) array
        As in `Unused`.
    to_master : sequence of (3, 3) arrays
        Frame pixel to master pixel, of each used frame.
    shape : (h, w)
        Half the master's size.

    Returns
    -------
    (h, w) bool array
    """
    out = np.zeros(shape, bool)
    for matrix in to_master:
        places = (
            np.linalg.inv(HALF_TO_FULL)
            @ matrix
            @ np.stack([specks[:, 0], specks[:, 1], np.ones(len(specks))])
        )
        for x, y, radius in zip(
            *(places[:2] / places[2]), specks[:, 2] / 2, strict=True
        ):
            # One place more: frames differ a little in scale.
            reach = radius + 1
            top, left = max(int(y - reach), 0), max(int(x - reach), 0)
            part = out[top : int(y + reach) + 2, left : int(x + reach) + 2]
            rows, columns = np.ogrid[: part.shape[0], : part.shape[1]]
            part |= np.hypot(rows + top - y, columns + left - x) < reach
    return out


def _half_box(region: Box, shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    """Rows and columns, from and to, of a region on the half-size grid."""
    return (
        region.row // 2,
        min(-(-(region.row + region.height) // 2), shape[0]),
        region.column // 2,
        min(-(-(region.column + region.width) // 2), shape[1]),
    )


def _frames_out(
    finding: Finding,
    half: tuple[int, int, int, int],
    numbers: Sequence[int],
    maps: FocusMaps,
) -> list[int]:
    """Choose the used frames to leave out where something moved.

    One frame alone is left out. Where the thing stayed in its new place the frames
    before and after show two pictures: the one in which the place is in focus is kept.
    """
    late = [k for k, number in enumerate(numbers) if number in finding.frames]
    if len(finding.frames) == 1:
        return late
    early = [k for k in range(len(numbers)) if k not in late]
    part = np.s_[half[0] : half[1], half[2] : half[3]]
    index, certainty = maps.index[part], maps.certainty[part]
    sure = index[certainty >= SURE]
    if not late or not early or sure.size == 0:
        return []
    in_focus = int(np.clip(np.rint(np.median(sure)), 0, len(numbers) - 1))
    return early if in_focus in late else late
