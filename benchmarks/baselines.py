"""Plain fusion methods to compare with, all on the same aligned frames.

`align_frames` brings a bracket's frames to the reference's grid and light with given
transforms and gains; every method takes its answer, a list of (H, W, 3) float32 arrays,
encoded 0..1. `upper_reference` is no method: it knows the true depth.
"""

from collections.abc import Callable, Iterable, Sequence

import cv2
import numpy as np
import numpy.typing as npt

from benchmarks.brackets import Bracket, luma_of
from benchmarks.lens import F32, F64

ENERGY_WINDOW_PX = 5  # Burt & Kolczynski 1993 select by energy in such a window
ARGMAX_SIGMA_PX = 4.0
TRUTH_SIGMA_PX = 2.0
MEDIAN_PX = 5
COARSEST_PX = 8  # a pyramid ends where a side falls below


def align_frames(bracket: Bracket, transforms: Sequence[F64], gains: F64) -> list[F32]:
    """Frames on the reference's grid and in its light.

    Parameters
    ----------
    bracket : Bracket
        Its frames and transfer curve are used, not its truth.
    transforms : sequence of (3, 3) float64 arrays
        Frame pixels to reference pixels.
    gains : (n,) or (n, 3) float64 array
        Light of each frame relative to the reference, linear.

    Notes
    -----
    Light is changed in linear light; Lanczos-4 resampling, once, edges mirrored.
    """
    out = []
    for frame, matrix, gain in zip(bracket.frames, transforms, gains, strict=True):
        encoded = frame.astype(np.float32) / np.float32(np.iinfo(frame.dtype).max)
        linear: F32 = bracket.decode(encoded)
        linear /= np.asarray(gain, np.float32)
        h, w = frame.shape[:2]
        warped = cv2.warpPerspective(
            bracket.encode(linear), matrix, (w, h),
            flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip
        out.append(np.clip(warped, 0, 1).astype(np.float32))
    return out


def merge_mertens(frames: Sequence[F32]) -> F32:
    """OpenCV's exposure fusion with its contrast weight alone (Mertens et al. 2007)."""
    merge = cv2.createMergeMertens(1.0, 0.0, 0.0)
    scaled = [f * 255 for f in frames]  # it divides by 255 whatever the type
    return np.clip(merge.process(scaled), 0, 1).astype(np.float32)


def laplacian_pyramid(image: F32) -> list[F32]:
    """Burt & Adelson 1983, finest first, the low-pass rest last."""
    out = []
    while min(image.shape[:2]) >= 2 * COARSEST_PX:
        small = cv2.pyrDown(image)
        size = (image.shape[1], image.shape[0])
        out.append(np.asarray(image - cv2.pyrUp(small, dstsize=size), np.float32))
        image = np.asarray(small, np.float32)
    return [*out, image]


def collapse(levels: Sequence[F32]) -> F32:
    """Inverse of `laplacian_pyramid`."""
    image = levels[-1]
    for detail in reversed(levels[:-1]):
        size = (detail.shape[1], detail.shape[0])
        image = np.asarray(cv2.pyrUp(image, dstsize=size) + detail, np.float32)
    return image


class PyramidSelection:
    """Largest local energy per level and place, one frame at a time; the rest averaged."""

    def __init__(self) -> None:
        self._levels: list[F32] = []
        self._energy: list[F32] = []
        self._rest: F32 = np.zeros(1, np.float32)
        self._count = 0

    def add(self, frame: F32) -> None:
        """Take the levels of a frame where they beat what was there."""
        *details, rest = laplacian_pyramid(frame)
        for i, level in enumerate(details):
            power = (level * level).sum(-1)
            energy = cv2.boxFilter(power, -1, (ENERGY_WINDOW_PX, ENERGY_WINDOW_PX))
            if self._count == 0:
                self._levels.append(level)
                self._energy.append(np.asarray(energy, np.float32))
            else:
                better = energy > self._energy[i]
                np.copyto(self._levels[i], level, where=better[..., None])
                np.copyto(self._energy[i], energy, where=better)
        self._rest = rest + self._rest
        self._count += 1

    def finish(self) -> F32:
        """Collapse what was selected."""
        rest = np.asarray(self._rest / self._count, np.float32)
        return np.clip(collapse([*self._levels, rest]), 0, 1)


def pyramid_selection(frames: Iterable[F32]) -> F32:
    """Plain Laplacian pyramid fusion: per level the frame of largest local energy."""
    chosen = PyramidSelection()
    for frame in frames:
        chosen.add(frame)
    return chosen.finish()


def sharpest_frame(frames: Sequence[F32]) -> npt.NDArray[np.int64]:
    """Frame of largest Laplacian energy of luma within sigma 4 px, median filtered."""
    energy = []
    for frame in frames:
        edge = cv2.Laplacian(luma_of(frame), cv2.CV_32F, ksize=1)
        energy.append(cv2.GaussianBlur(edge * edge, (0, 0), ARGMAX_SIGMA_PX))
    number = np.argmax(energy, axis=0).astype(np.uint8)
    return np.asarray(cv2.medianBlur(number, MEDIAN_PX), np.int64)


def blend_by_label(frames: Sequence[F32], label: npt.NDArray[np.int64]) -> F32:
    """Multi-band blending of labelled regions (Burt & Adelson 1983)."""
    total: list[F32] = []
    for k, frame in enumerate(frames):
        mask = (label == k).astype(np.float32)
        for i, level in enumerate(laplacian_pyramid(frame)):
            part = level * mask[..., None]
            if k == 0:
                total.append(part)
            else:
                total[i] += part
            mask = np.asarray(cv2.pyrDown(mask), np.float32)
    return np.clip(collapse(total), 0, 1)


def argmax_blend(frames: Sequence[F32]) -> F32:
    """Sharpest frame per pixel, regions blended by pyramid."""
    return blend_by_label(frames, sharpest_frame(frames))


def upper_reference(frames: Sequence[F32], picture: F32) -> F32:
    """Best frame per pixel, knowing the truth: least squared error within sigma 2 px.

    Parameters
    ----------
    frames : sequence of (H, W, 3) float32 arrays
        Aligned, encoded 0..1.
    picture : (H, W, 3) float32 array
        The true picture.
    """
    error = [
        cv2.GaussianBlur(((f - picture) ** 2).sum(-1), (0, 0), TRUTH_SIGMA_PX)
        for f in frames
    ]
    number = np.argmin(error, axis=0)
    rows, columns = np.indices(number.shape)
    return np.asarray(np.stack(frames)[number, rows, columns], np.float32)


METHODS: dict[str, Callable[[Sequence[F32]], F32]] = {
    "merge_mertens": merge_mertens,
    "pyramid_selection": pyramid_selection,
    "argmax_blend": argmax_blend,
}
