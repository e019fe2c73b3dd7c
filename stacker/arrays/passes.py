"""The steps of both passes on whole arrays, with the faces that `compute` works with."""

from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import Any

import numpy as np
import numpy.typing as npt

from stacker.align import REGISTRATION_PIXELS
from stacker.arrays import blending
from stacker.arrays.energy import half_energy
from stacker.arrays.lanczos import resampled
from stacker.arrays.peaking import ArrayPeaks, filled_smoothly, noise_at
from stacker.arrays.picturing import ArrayFusion
from stacker.arrays.smoothing import area_reduced, gaussian_blur, median_5x5
from stacker.arrays.warping import warp_linear
from stacker.depth import (
    CERTAINTY_SIGMA,
    FAR_FRAMES,
    HALF_SURE,
    NEARLY,
    NO_PEAK,
    SURE_PEAK,
    FocusMaps,
)
from stacker.frame import ImageF32, Matrix3x3, Pixels
from stacker.fusion import Unused
from stacker.geometry import reduced_shape
from stacker.glints import WHITE
from stacker.passes import Seen
from stacker.sharpness import POOL_REACH, POOL_SIGMA, SAMPLES_PER_FRAME, NoiseFloor

__all__ = ["ArrayPasses"]


class ArrayPasses:
    """Both passes with the arrays of a module `xp`: `passes.HostPasses` in other words.

    Parameters
    ----------
    xp : module
        With NumPy's face. With NumPy itself this is the slow reference of a fusion.
    """

    def __init__(self, xp: Any) -> None:
        self.xp = xp

    # What depends on where the arrays are -------------------------------------

    def upload(self, array: Any) -> Any:
        """Take an array of NumPy's."""
        return self.xp.asarray(array)

    def download(self, array: Any) -> Any:
        """Return an array of NumPy's, C-contiguous."""
        return np.ascontiguousarray(array)

    def errors(self) -> AbstractContextManager[None]:
        """Turn what goes wrong within into one line."""
        return nullcontext()

    def half_energy(self, raw: Any) -> tuple[Any, Any]:
        """Squared Laplacian and luma at half size; see `energy.half_energy`."""
        return half_energy(self.xp, raw)

    def gaussian_blur(self, image: Any, sigma_px: float, reach_px: int = 0) -> Any:
        """Gaussian blur of a map; see `smoothing.gaussian_blur`."""
        return gaussian_blur(self.xp, image, sigma_px, reach_px)

    def median_5x5(self, image: Any) -> Any:
        """Median over 5 x 5 pixels of a map."""
        return median_5x5(self.xp, image)

    def add_frame(
        self,
        sums: blending.Sums,
        frame: Any,
        to_frame: Matrix3x3,
        curves: Any,
        half_weights: Any,
    ) -> None:
        """Resample a frame, light it and add it to the sums by its weights."""
        height, width, _ = frame.shape
        values = resampled(self.xp, frame, to_frame, (height, width))
        values = blending.on_curve(self.xp, curves, values, frame.dtype.itemsize)
        blending.add_frame(self.xp, sums, values, half_weights)

    # First pass ---------------------------------------------------------------

    def laplacian_energy(self, raw: Pixels) -> tuple[Any, Any]:
        """See `sharpness.laplacian_energy`; `raw` is in the processor's memory."""
        energy, luma = self.half_energy(self.upload(raw))
        return self.gaussian_blur(energy, POOL_SIGMA, POOL_REACH), luma

    def for_registration(self, luma: Any, shape: tuple[int, int]) -> ImageF32:
        """Luma in the processor's memory, no larger than `align.reduce_frame` wants it.

        `shape` is that of the frame.
        """
        if luma.size > REGISTRATION_PIXELS:
            small = reduced_shape(shape, REGISTRATION_PIXELS)
            luma = area_reduced(self.xp, luma, small)
        return np.asarray(self.download(luma))

    def for_noise(self, image: Any) -> ImageF32:
        """Return the places that `sharpness.NoiseModel` looks at, and no others."""
        step = max(1, int(np.sqrt(image.size / SAMPLES_PER_FRAME)))
        return np.asarray(self.download(image[::step, ::step]))

    def warped(
        self,
        images: Sequence[Any],
        out_to_in: Matrix3x3,
        shape: tuple[int, int],
        *,
        outside: float | None = None,
    ) -> list[Any]:
        """See `_opencv.warp_linear`."""
        return warp_linear(self.xp, list(images), out_to_in, shape, outside=outside)

    def taken_in(
        self, energy: Any, luma: Any, slope: float, to_frame: Matrix3x3, seen: Seen
    ) -> tuple[Any, Any]:
        """See `passes.HostPasses.taken_in`; the maps given are not good afterwards."""
        energy *= np.float32(slope * slope)
        luma *= np.float32(slope)
        shape = seen.luma.shape
        energy, luma = self.warped([energy, luma], to_frame, shape, outside=-1.0)
        seen.luma[...] = self.xp.where(seen.luma < 0, luma, seen.luma)
        white = np.uint8(1)
        seen.is_white[...] = self.xp.where(luma >= WHITE, white, seen.is_white)
        return energy, luma

    def seen(self, shape: tuple[int, int]) -> Seen:
        """Return what is noted on the grid before the first frame."""
        xp = self.xp
        return Seen(xp.full(shape, -1, np.float32), xp.zeros(shape, np.uint8))

    def white_at(
        self, white: Any, out_to_in: Matrix3x3, shape: tuple[int, int]
    ) -> npt.NDArray[np.uint8]:
        """Sample what was noted elsewhere, in the processor's memory."""
        (moved,) = self.warped([white.astype(np.float32)], out_to_in, shape)
        return np.asarray(self.download((moved > 0).astype(np.uint8)))

    def peaks(self, shape: tuple[int, int]) -> ArrayPeaks:
        """Start the running peak on a half-size grid."""
        return ArrayPeaks(self, shape)

    # Between the passes, and second pass --------------------------------------

    def noise_at(self, floor: NoiseFloor, luma: Any) -> Any:
        """Noise energy at each place; luma is negative where nothing was seen."""
        return noise_at(self.xp, floor, self.xp.maximum(luma, 0))

    def first_pass_is_over(self) -> None:
        """Give back what only the first pass needs: nothing is kept here."""

    def focus_maps(self, index: Any, height: Any, n_frames: int) -> FocusMaps:
        """See `depth.focus_maps`."""
        xp = self.xp
        u = (height - np.float32(NO_PEAK)) / np.float32(SURE_PEAK - NO_PEAK)
        u = xp.clip(u, 0, 1)
        certainty = self.gaussian_blur(u * u * (3 - 2 * u), CERTAINTY_SIGMA)
        certainty = xp.clip((certainty - NEARLY) / (1 - 2 * NEARLY), 0, 1)
        fill = filled_smoothly(xp, self.median_5x5(index), certainty)
        fill = xp.clip(fill, 0, max(n_frames - 1, 0))
        is_noise = (certainty < HALF_SURE) & (xp.abs(index - fill) > FAR_FRAMES)
        certainty = xp.where(is_noise, np.float32(0), certainty)
        return FocusMaps(index=index, fill=fill, certainty=certainty)

    def downloaded(self, maps: FocusMaps) -> FocusMaps:
        """Return the maps in the processor's memory."""
        return FocusMaps(
            index=self.download(maps.index),
            fill=self.download(maps.fill),
            certainty=self.download(maps.certainty),
        )

    def uploaded(self, maps: FocusMaps) -> FocusMaps:
        """Return maps where the second pass takes them."""
        return FocusMaps(
            index=self.upload(maps.index),
            fill=self.upload(maps.fill),
            certainty=self.upload(maps.certainty),
        )

    def depth_for_display(self, maps: FocusMaps) -> Any:
        """See `depth.depth_for_display`."""
        return self.median_5x5(maps.index)

    def fusion(
        self,
        shape: tuple[int, int, int],
        maps: FocusMaps,
        to_master: Sequence[Matrix3x3],
        reference: int,
        unused: Unused,
    ) -> ArrayFusion:
        """Start the picture."""
        return ArrayFusion(self, shape, maps, to_master, reference, unused)
