"""The picture and its maps, all of it at once."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from stacker.arrays import blending
from stacker.arrays.edges import followed, guide_of, hidden_share
from stacker.arrays.weights import FocalWeights, frame_weights, weight_sums
from stacker.depth import FocusMaps
from stacker.frame import Box, ImageF32, Matrix3x3, Pixels
from stacker.fusion import FinishedPicture, Unused, focal_weights
from stacker.geometry import invert, iter_strips

if TYPE_CHECKING:
    from stacker.arrays.passes import ArrayPasses

__all__ = ["ArrayFusion"]

# Rows finished at a time: what it takes in between is small beside the sums.
STRIP_ROWS = 512


class ArrayFusion:
    """`fusion.FusionAccumulator` on arrays of the module of `passes`, in one band.

    Parameters
    ----------
    passes : ArrayPasses
        Where the arrays are, and how frames are added.
    shape : (H, W, C)
        Size of the master.
    maps : FocusMaps
        On the master's grid, of arrays of that module.
    to_master : sequence of (3, 3) arrays
        Frame pixel to master pixel, of each used frame.
    reference : int
        Which of them is the master's own: it covers every pixel.
    unused : Unused
        What must not get into the picture where another frame is clean.
    """

    def __init__(
        self,
        passes: "ArrayPasses",
        shape: tuple[int, int, int],
        maps: FocusMaps,
        to_master: Sequence[Matrix3x3],
        reference: int,
        unused: Unused,
    ) -> None:
        xp = passes.xp
        self._passes = passes
        self._shape = shape
        self._maps = maps
        self._unused = unused
        self._to_frames = [invert(t) for t in to_master]
        tables = (xp.asarray(t) for t in focal_weights())
        self._focus = FocalWeights(maps.index, maps.fill, maps.certainty, *tables)
        self._sums_of_weights = weight_sums(
            xp, self._focus, self._to_frames, shape[:2], reference, unused
        )
        self._picture: npt.NDArray[np.uint16] | None = None

    def bands(self, n_bands: int) -> list[tuple[int, int]]:
        """All rows as one band: a card that takes a frame takes the picture."""
        del n_bands
        return [(0, self._shape[0])]

    def begin(self, first: int, end: int) -> None:
        """Start the only band."""
        del first, end
        height, width, channels = self._shape
        self._sums = blending.Sums.none(self._passes.xp, (height, width * channels))

    def window(self, ordinal: int) -> Box | None:
        """All rows of a frame where it has weight anywhere, or None."""
        if not self._sums_of_weights.has_weight[ordinal]:
            return None
        height, width, _ = self._shape
        return Box(row=0, column=0, height=height, width=width)

    def add(self, raw: Pixels, first_row: int, curves: ImageF32, ordinal: int) -> None:
        """Add a frame, (H, W, C) uint8 or uint16, in the processor's memory."""
        del first_row
        to_frame = self._to_frames[ordinal]
        weights = frame_weights(
            self._passes.xp,
            ordinal,
            self._focus,
            self._sums_of_weights,
            to_frame,
            self._shape[:2],
            self._unused,
        )
        self._passes.add_frame(
            self._sums,
            self._passes.upload(raw),
            to_frame,
            self._passes.upload(curves),
            weights,
        )

    def end(self) -> None:
        """Make the picture from the sums."""
        xp, (height, width, channels) = self._passes.xp, self._shape
        self._picture = np.empty((height, width * channels), np.uint16)
        half = (height + 1) // 2, (width + 1) // 2
        self._guide = xp.empty((*half, channels), np.uint16)
        n_rows = STRIP_ROWS + STRIP_ROWS % 2  # whole places of the half-size guide
        for first in range(0, height, n_rows):
            end = min(first + n_rows, height)
            # The range of a row's sources is that of its neighbours, too.
            top, bottom = max(first - 1, 0), min(end + 1, height)
            sums = blending.Sums(*(part[top:bottom] for part in self._sums))
            sums = blending.spread_range(xp, sums, channels)
            done = blending.finished(xp, sums)[first - top : end - top]
            self._picture[first:end] = self._passes.download(done)
            pixels = done.reshape(end - first, width, channels)
            self._guide[first // 2 : (end + 1) // 2] = guide_of(xp, pixels)
        del self._sums

    def finish(
        self,
        depth_index: Any,
        numbers: Sequence[int],
        n_bracket: int,
        blur_px: float = 0.0,
    ) -> FinishedPicture:
        """Build the maps; see `fusion.FusionAccumulator.finish`."""
        xp, maps = self._passes.xp, self._maps
        assert self._picture is not None  # noqa: S101  for the type checker
        certainty = maps.certainty
        place = certainty * depth_index + (1 - certainty) * maps.fill
        place = followed(xp, place, certainty, self._guide)
        ordinals = xp.arange(len(numbers), dtype=np.float32)
        number = xp.interp(place, ordinals, xp.asarray(numbers, dtype=np.float32))
        number = number.astype(np.float32)
        if blur_px:
            certainty = certainty * (1 - hidden_share(xp, number, blur_px))
        label = np.uint8 if n_bracket < 256 else np.uint16
        code = number * np.float32(65535 / max(n_bracket - 1, 1))
        sure = certainty * np.float32(255)
        owner = xp.asarray(numbers, dtype=label)[self._sums_of_weights.owner]
        height, width, channels = self._shape
        depth = np.empty((height, width), np.uint16)
        confidence = np.empty((height, width), np.uint8)
        coverage = np.empty((height, width), label)
        half_height = owner.shape[0]
        for first, end in iter_strips(half_height, -(-half_height // STRIP_ROWS)):
            # One place of margin, as between places is interpolated.
            top, bottom = max(first - 1, 0), min(end + 1, half_height)
            near = slice(top, bottom)
            size = 2 * (bottom - top), width
            done = blending.finished_maps(xp, code[near], sure[near], owner[near], size)
            rows = slice(2 * first, min(2 * end, height))
            skipped = rows.start - 2 * top
            inner = slice(skipped, skipped + rows.stop - rows.start)
            strips = [self._passes.download(strip[inner]) for strip in done]
            depth[rows], confidence[rows], coverage[rows] = strips
        shape = self._shape[:2] if channels == 1 else self._shape
        return FinishedPicture(
            self._picture.reshape(shape), depth, confidence, coverage
        )
