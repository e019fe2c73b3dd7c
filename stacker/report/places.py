"""Places of a result that are worth a look at full size, worst first.

Findings that have a place come first. The others are read off the maps: steps of depth,
where two frames meet; texture whose depth is uncertain; clipped highlights; and things
that are sharpest in an outermost frame and might be sharper outside the bracket. They are hints
where to look, not faults: the verdict does not depend on them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stacker._opencv import area_reduce, dilate_disc
from stacker.coverage import FrameShare, frame_shares
from stacker.frame import Box, Finding, FusionResult, ImageF32, Pixels

__all__ = ["CROP_SIZE_PX", "Place", "worst_places"]

CROP_SIZE_PX = (384, 512)
"""Height and width of a place: small enough to embed, large enough to judge."""
LARGEST_PART, SMALLEST_CROP_PX = 4, (72, 96)
"""Places of a small picture: a quarter of it each way, but not less than this."""
MAX_PLACES = 9
MAX_OF_A_KIND = 3
SAMPLED_SIDE_PX = 768
"""Maps are searched at this size: a place is then at least 25 pixels wide at 100 MP."""

# What makes a place worth a look; chosen on the sample and on rendered brackets so that a
# clean picture names few places.
STEP_FRAMES, STEP_RANGE = 1.5, 0.15
"""A step of depth: this many frames, and this much of the bracket."""
STEP_REACH = 3
"""Sampled pixels on either side within which a step happens: maps soften steps a little."""
END_FRAMES = 0.02
"""So near to an outermost frame a depth was held there by the bracket's end."""
SURE, UNSURE = 0.6, 0.4
TEXTURE = 0.03
"""Local contrast, in encoded values 0..1, that the eye sees as texture."""
MIN_SHARE = {
    "step": 0.02,
    "uncertain": 0.08,
    "clipped": 0.01,
    "before": 0.05,
    "beyond": 0.05,
}
"""Share of a place's pixels below which it is not named."""
FRAME_MIN_SHARE = 0.05
MAX_FRAMES = 2
SUPPRESSION = 0.25
"""Places overlap by no more than this share of their area."""
SPREAD = 1 / 6
"""Places of one kind keep this much of the picture's sides apart, one way or the other."""

_WORDS: dict[str, Callable[[str], str]] = {
    "step": lambda frames: (
        f"Depth step: {frames} meet here."
        if " and " in frames
        else f"Depth step, mostly from {frames}."
    ),
    "uncertain": lambda frames: f"Texture with uncertain depth, mostly from {frames}.",
    "clipped": lambda frames: f"Clipped highlights, mostly from {frames}.",
    "before": lambda _: "Sharpest in the first frame: might be sharper before it.",
    "beyond": lambda _: "Sharpest in the last frame: might be sharper beyond it.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A region to look at.

    Attributes
    ----------
    kind : str
        "finding", "step", "uncertain", "clipped", "before" or "beyond".
    message : str
        Why, in one sentence.
    box : Box
        Its pixels in the master.
    frames : tuple of FrameShare
        The frames that supplied most of it, largest first, at most two.
    finding : int or None
        Position in the list of findings, for a finding's place.
    """

    kind: str
    message: str
    box: Box
    frames: tuple[FrameShare, ...]
    finding: int | None = None


def worst_places(
    result: FusionResult, findings: Sequence[Finding] = ()
) -> tuple[Place, ...]:
    """Find the places to look at.

    Parameters
    ----------
    result : FusionResult
        Not modified.
    findings : sequence of Finding
        Worst first.

    Returns
    -------
    tuple of Place
        At most nine, findings first, then by how much of the place is concerned.
    """
    shape = result.depth.shape
    chosen: list[Place] = []
    for i, finding in enumerate(findings):
        if finding.region is not None and len(chosen) < MAX_PLACES:
            box = _around(finding.region, shape)
            chosen.append(
                Place(
                    kind="finding",
                    message=finding.message,
                    box=box,
                    frames=_suppliers(result, box),
                    finding=i,
                )
            )
    for kind, box in _ranked(_masks(result), shape):
        if len(chosen) == MAX_PLACES:
            break
        same = [p.box for p in chosen if p.kind == kind]
        if (
            len(same) == MAX_OF_A_KIND
            or any(_overlap(box, p.box) for p in chosen)
            or any(_is_near(box, other, shape) for other in same)
        ):
            continue
        frames = _suppliers(result, box)
        message = _WORDS[kind](_named(frames))
        chosen.append(Place(kind=kind, message=message, box=box, frames=frames))
    return tuple(chosen)


def _crop_size(shape: tuple[int, ...]) -> tuple[int, int]:
    """Height and width of the places of a picture."""
    height, width = (
        min(size, max(least, whole // LARGEST_PART), whole)
        for size, least, whole in zip(
            CROP_SIZE_PX, SMALLEST_CROP_PX, shape, strict=True
        )
    )
    return height, width


def _around(region: Box, shape: tuple[int, ...]) -> Box:
    """Crop of the usual size whose middle is the region's."""
    height, width = _crop_size(shape)
    row = region.row + region.height // 2 - height // 2
    column = region.column + region.width // 2 - width // 2
    return Box(
        row=min(max(row, 0), shape[0] - height),
        column=min(max(column, 0), shape[1] - width),
        height=height,
        width=width,
    )


def _suppliers(result: FusionResult, box: Box) -> tuple[FrameShare, ...]:
    rows = slice(box.row, box.row + box.height)
    labels: Pixels = result.coverage[rows, box.column : box.column + box.width]
    shares = frame_shares(labels, len(result.frames))
    ranked = sorted(range(len(shares)), key=lambda k: -shares[k])[:MAX_FRAMES]
    return tuple(
        FrameShare(frame=k, share=shares[k])
        for i, k in enumerate(ranked)
        if i == 0 or shares[k] >= FRAME_MIN_SHARE
    )


def _named(frames: tuple[FrameShare, ...]) -> str:
    numbers = [str(f.frame) for f in frames]
    word = "frame" if len(numbers) == 1 else "frames"
    return f"{word} {' and '.join(numbers)}"


def _overlap(a: Box, b: Box) -> bool:
    rows = min(a.row + a.height, b.row + b.height) - max(a.row, b.row)
    columns = min(a.column + a.width, b.column + b.width) - max(a.column, b.column)
    shared = max(rows, 0) * max(columns, 0)
    return shared > SUPPRESSION * min(a.height * a.width, b.height * b.width)


def _is_near(a: Box, b: Box, shape: tuple[int, ...]) -> bool:
    rows, columns = abs(a.row - b.row), abs(a.column - b.column)
    return rows < SPREAD * shape[0] and columns < SPREAD * shape[1]


def _masks(result: FusionResult) -> dict[str, npt.NDArray[np.bool_]]:
    """Where each kind of place lies, on reduced maps."""
    height, width = result.depth.shape
    every = max(1, max(height, width) // SAMPLED_SIDE_PX)
    # Every n-th pixel: averages would make depths between two sides of a step.
    thin = (slice(every // 2, None, every),) * 2
    last = max(len(result.frames) - 1, 1)
    depth = result.depth[thin].astype(np.float32) * np.float32(last / 65535)
    sure = result.confidence[thin].astype(np.float32) / 255
    picture = result.picture[thin]
    code = picture if picture.ndim == 2 else picture.max(axis=2)
    green = result.picture if picture.ndim == 2 else result.picture[..., 1]
    # Averaged, unlike the maps: noise must not pass for texture.
    luma = area_reduce(green, depth.shape).astype(np.float32) * np.float32(1 / 65535)
    near = dilate_disc(depth, STEP_REACH)
    far = -dilate_disc(-depth, STEP_REACH)
    step = max(STEP_FRAMES, STEP_RANGE * last)
    return {
        "step": (near - far >= step) & (sure >= SURE),
        "uncertain": (sure < UNSURE) & (_contrast(luma) > TEXTURE),
        "clipped": code == np.iinfo(picture.dtype).max,
        "before": (depth < END_FRAMES) & (sure >= SURE),
        "beyond": (depth > last - END_FRAMES) & (sure >= SURE),
    }


def _contrast(luma: ImageF32) -> ImageF32:
    """Range of 5 x 5 pixels: texture, seen coarsely."""
    spread: ImageF32 = dilate_disc(luma, 2) + dilate_disc(-luma, 2)
    return spread


def _ranked(
    masks: dict[str, npt.NDArray[np.bool_]], shape: tuple[int, ...]
) -> list[tuple[str, Box]]:
    """Candidate places, those with most of their kind first."""
    size = _crop_size(shape)
    # Windows half overlap; the mean of 2 x 2 half-windows is that of a window.
    n_rows, n_columns = (
        max(2, round(2 * s / c)) for s, c in zip(shape, size, strict=True)
    )
    candidates = []
    for kind, mask in masks.items():
        halves = area_reduce(mask.astype(np.float32), (n_rows, n_columns))
        means = (
            halves[:-1, :-1] + halves[1:, :-1] + halves[:-1, 1:] + halves[1:, 1:]
        ) / 4
        for i, j in zip(*np.nonzero(means >= MIN_SHARE[kind]), strict=True):
            box = Box(
                row=round(int(i) * (shape[0] - size[0]) / max(n_rows - 2, 1)),
                column=round(int(j) * (shape[1] - size[1]) / max(n_columns - 2, 1)),
                height=size[0],
                width=size[1],
            )
            candidates.append((float(means[i, j] / MIN_SHARE[kind]), kind, box))
    candidates.sort(key=lambda c: -c[0])
    return [(kind, box) for _, kind, box in candidates]
