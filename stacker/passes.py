"""What `compute` has done to whole frames and maps, on the processor.

`arrays.passes` has the same faces for arrays elsewhere, on a graphics card say; `compute`
picks one of the two and knows no difference. A map belongs to whoever made it: nothing is
done to it but what has a name here, and arithmetic in place.
"""

from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stacker import _kernels, _opencv
from stacker.buffers import Buffers
from stacker.depth import FocusMaps, PeakAccumulator, depth_for_display, focus_maps
from stacker.frame import ImageF32, Matrix3x3, Pixels
from stacker.fusion import FusionAccumulator, Unused
from stacker.geometry import half_shape
from stacker.glints import WHITE
from stacker.sharpness import NoiseFloor, laplacian_energy

__all__ = ["HostPasses", "Seen"]

# What plain arithmetic makes on its way stays in the cache.
ROWS_AT_ONCE = 16


@dataclass(slots=True)
class Seen:
    """What the first pass notes on its grid, beside the running peak.

    Attributes
    ----------
    luma : (h, w) float32 array
        Of the first frame that reaches a place; negative where none does.
    is_white : (h, w) uint8 array
        1 where some frame is cut off at white; see `glints`.
    """

    luma: Any
    is_white: Any


class HostPasses:
    """Both passes on the processor, from `n_threads` threads."""

    def __init__(self, n_threads: int) -> None:
        self._n_threads = n_threads
        self._buffers = Buffers()

    def errors(self) -> AbstractContextManager[None]:
        """Turn what the device raises within into one line."""
        return nullcontext()

    def laplacian_energy(self, raw: Pixels) -> tuple[ImageF32, ImageF32]:
        """Sharpness and luma at half size; see `sharpness.laplacian_energy`.

        Good until the next frame's.
        """
        shape = half_shape(raw.shape[:2])
        out = (self._buffers.lend("energy", shape), self._buffers.lend("luma", shape))
        return laplacian_energy(raw, n_threads=self._n_threads, out=out)

    def for_registration(self, luma: ImageF32, shape: tuple[int, int]) -> ImageF32:
        """Return what `align.reduce_frame` makes its copy of a frame of `shape` from."""
        del shape
        return luma

    def for_noise(self, image: ImageF32) -> ImageF32:
        """Return what `sharpness.NoiseModel` looks at."""
        return image

    def taken_in(
        self,
        energy: ImageF32,
        luma: ImageF32,
        slope: float,
        to_frame: Matrix3x3,
        seen: Seen,
    ) -> tuple[ImageF32, ImageF32]:
        """Bring a frame's maps to the grid and to the first frame's light.

        Good for as long as the running peak looks back. `slope` is the factor that luma
        is brought to that light by; `to_frame` takes a place of the grid to one of the
        maps. `seen` is written to.
        """
        shape, n = seen.luma.shape, 2 * PeakAccumulator.FRAMES_KEPT
        out = [self._buffers.lend("taken in", shape, n) for _ in "el"]
        _kernels.run_strips(
            shape[0],
            self._n_threads,
            lambda a, b: _kernels.take_in_rows(
                *(energy, luma, to_frame, slope, *out, seen.luma),
                *(np.float32(WHITE), seen.is_white, a, b),
            ),
        )
        return out[0], out[1]

    def warped(
        self,
        images: Sequence[ImageF32],
        out_to_in: Matrix3x3,
        shape: tuple[int, int],
    ) -> list[ImageF32]:
        """Sample maps elsewhere; see `_opencv.warp_linear`."""
        return [_opencv.warp_linear(image, out_to_in, shape) for image in images]

    def seen(self, shape: tuple[int, int]) -> Seen:
        """Return what is noted on the grid before the first frame."""
        return Seen(np.full(shape, -1, np.float32), np.zeros(shape, np.uint8))

    def white_at(
        self,
        white: npt.NDArray[np.uint8],
        out_to_in: Matrix3x3,
        shape: tuple[int, int],
    ) -> npt.NDArray[np.uint8]:
        """Sample what was noted elsewhere, in the processor's memory."""
        moved = _opencv.warp_linear(white.astype(np.float32), out_to_in, shape)
        return (moved > 0).astype(np.uint8)

    def peaks(self, shape: tuple[int, int]) -> PeakAccumulator:
        """Start the running peak on a half-size grid."""
        return PeakAccumulator(shape, n_threads=self._n_threads)

    def noise_at(self, floor: NoiseFloor, luma: ImageF32) -> ImageF32:
        """Noise energy at each place; luma is negative where nothing was seen."""
        out = np.empty_like(luma)

        def work(first: int, end: int) -> None:
            for row in range(first, end, ROWS_AT_ONCE):
                rows = slice(row, min(row + ROWS_AT_ONCE, end))
                out[rows] = floor.at(np.maximum(luma[rows], 0))

        _kernels.run_strips(len(luma), self._n_threads, work)
        return out

    def first_pass_is_over(self) -> None:
        """Give back what only the first pass needs."""
        self._buffers = Buffers()

    def focus_maps(self, index: ImageF32, height: ImageF32, n_frames: int) -> FocusMaps:
        """Make maps of peaks; see `depth.focus_maps`."""
        return focus_maps(index, height, n_frames)

    def downloaded(self, maps: FocusMaps) -> FocusMaps:
        """Return the maps in the processor's memory."""
        return maps

    def uploaded(self, maps: FocusMaps) -> FocusMaps:
        """Return maps where the second pass takes them."""
        return maps

    def depth_for_display(self, maps: FocusMaps) -> ImageF32:
        """Index for the depth file; see `depth.depth_for_display`."""
        return depth_for_display(maps)

    def fusion(
        self,
        shape: tuple[int, int, int],
        maps: FocusMaps,
        to_master: Sequence[Matrix3x3],
        reference: int,
        unused: Unused,
    ) -> FusionAccumulator:
        """Start the picture."""
        return FusionAccumulator(
            shape,
            maps,
            to_master,
            reference,
            unused=unused,
            n_threads=self._n_threads,
        )
