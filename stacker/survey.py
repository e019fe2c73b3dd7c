"""What a check needs to know of each frame, measured from a fraction of its pixels.

`Survey` takes one frame after the other, registered by whoever calls, and keeps small
things only: a thumbnail, light by cell, and how sharp each cell of a grid is at three
scales. `BracketFacts` is all of it together; `stacker.inspection` judges.

Sharpness is measured at full resolution: blur of two pixels, which decides whether a
step is too wide, cannot be seen in a picture that was reduced. It is measured in one
window per cell, which follows the scene through breathing and shifts.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.align import ReducedFrame
from stacker.frame import ImageF32, Matrix3x3, Pixels, TransferTable
from stacker.geometry import reduced_shape
from stacker.light import slope_of_light
from stacker.mosaic import N_LEVELS, POOL_REACH, POOL_SIGMA, Windows, grid_shape
from stacker.sharpness import NoiseFloor, NoiseModel, laplacian_energy

__all__ = [
    "N_LEVELS",
    "BracketFacts",
    "FrameFacts",
    "Survey",
    "some_pixels",
]

# Thumbnails: enough to see a speck of dust a hundredth of the picture wide.
SURVEY_PIXELS = 4.0e5
# Codes within this share below full scale tell roll-off (many) from cutting off (few).
NEAR_WHITE = 0.004
WHITE_SAMPLES = 2.5e5
# Samples of each frame and scale that the noise is measured on.
NOISE_SAMPLES = 8.0e4


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFacts:
    """One frame of a bracket, as surveyed.

    Attributes
    ----------
    number : int
        0-based number among the frames given.
    to_first : (3, 3) float64 array
        Pixels of this frame to pixels of the first surveyed one, full size.
    correlation : float
        Of the registration, 0..1.
    gain : (C,) float64 array
        Linear light relative to the first surveyed frame.
    luma : (h, w) float16 array, range [0, 1]
        Thumbnail, encoded.
    light : (h', w', C) float32 array
        Linear light by cell, on this frame's own grid.
    clipped : (h', w') float32 array
        Fraction of each such cell that is too bright to be believed.
    white, near_white : float
        Fraction of the samples at full scale, and just below it.
    energy : (levels, rows, columns) float32 array
        Laplacian energy by cell of the first frame's grid, noise included, brought to
        the first frame's light; NaN where the frame does not see the cell.
    brightness : (rows, columns) float32 array
        Luma of the cells, not brought to the first frame's light.
    slope : float
        Factor that brought contrast to the first frame's light.
    """

    number: int
    to_first: Matrix3x3
    correlation: float
    gain: npt.NDArray[np.float64]
    luma: npt.NDArray[np.float16] = field(repr=False)
    light: ImageF32 = field(repr=False)
    clipped: ImageF32 = field(repr=False)
    white: float
    near_white: float
    energy: ImageF32 = field(repr=False)
    brightness: ImageF32 = field(repr=False)
    slope: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BracketFacts:
    """All frames of a bracket that belong together, as surveyed.

    Attributes
    ----------
    shape : (height, width)
        Of every frame.
    frames : tuple of FrameFacts
        In the order given.
    floors : tuple of NoiseFloor
        Energy of noise alone, one per level.
    table : (C, 65536) float32 array
        Linear light by 16-bit code.
    to_master : (3, 3) float64 array
        Pixels of the first surveyed frame to those in which regions are told.
    unrelated : tuple of (number, correlation)
        Frames that could not be registered to the others.
    """

    shape: tuple[int, int]
    frames: tuple[FrameFacts, ...]
    floors: tuple[NoiseFloor, ...]
    table: TransferTable = field(repr=False)
    to_master: Matrix3x3 = field(default_factory=lambda: np.eye(3), repr=False)
    unrelated: tuple[tuple[int, float], ...] = ()

    @property
    def grid(self) -> tuple[int, int]:
        """Rows and columns of the cells in which sharpness is measured."""
        return grid_shape(self.shape)

    def noise(self) -> ImageF32:
        """Energy of noise by level, frame and cell, in the first frame's light."""
        return np.stack(
            [
                np.stack([floor.at(f.brightness) * f.slope**2 for f in self.frames])
                for floor in self.floors
            ]
        ).astype(np.float32)

    def energy(self) -> ImageF32:
        """Energy by level, frame and cell, noise included; NaN where not seen."""
        return np.stack([f.energy for f in self.frames], axis=1)


@dataclass(frozen=True, slots=True)
class Glimpse:
    """What `Survey.look` copies of a frame.

    Attributes
    ----------
    windows : (array, (rows, columns) bool array) or None
        Mosaic of windows, and which of them lie in the picture.
    white, near_white : float
        As in `FrameFacts`.
    """

    windows: tuple[Pixels, npt.NDArray[np.bool_]] | None
    white: float
    near_white: float


class Survey:
    """Collects the facts of a bracket, one frame at a time.

    Parameters
    ----------
    shape : (height, width)
        Of every frame.
    table : (C, 65536) float32 array
        Linear light by 16-bit code.
    n_threads : int
        Threads to work with.
    beside : Survey, optional
        Another survey of such frames, whose memory to work in is shared.

    Notes
    -----
    Memory: about 3 MB per frame, and up to 60 MB to work in. Time for 100 megapixels:
    0.05 s of processor beyond what the registration takes.
    """

    def __init__(
        self,
        shape: tuple[int, int],
        table: TransferTable,
        *,
        n_threads: int = 1,
        beside: "Survey | None" = None,
    ) -> None:
        self._shape = shape
        self._table = table
        self._n_threads = n_threads
        self._windows: Windows | None = (
            beside._windows if beside else Windows.over(shape)
        )
        self._noise = tuple(NoiseModel() for _ in range(N_LEVELS))
        self._frames: list[FrameFacts] = []

    def add(
        self,
        number: int,
        raw: Pixels,
        reduced: ReducedFrame,
        to_first: Matrix3x3,
        gain: npt.NDArray[np.float64],
        correlation: float,
    ) -> FrameFacts:
        """Take a frame that is registered already.

        Parameters
        ----------
        number : int
            0-based number among the frames given.
        raw : (H, W, C) uint8 or uint16 array
            May be a view into a file; only parts of it are looked at.
        reduced : ReducedFrame
            Its small copies.
        to_first : (3, 3) array
            Its pixels to those of the first frame added.
        gain : (C,) array
            Its linear light relative to the first frame added.
        correlation : float
            Of its registration.
        """
        glimpse = self.look(raw, to_first)
        return self.take(number, glimpse, reduced, to_first, gain, correlation)

    def look(self, raw: Pixels, to_first: Matrix3x3) -> Glimpse:
        """Copy of a frame what `take` needs; good until the next look."""
        mosaic = self._windows.cut(raw, to_first) if self._windows else None
        return Glimpse(mosaic, *_white_shares(raw))

    def take(
        self,
        number: int,
        glimpse: Glimpse,
        reduced: ReducedFrame,
        to_first: Matrix3x3,
        gain: npt.NDArray[np.float64],
        correlation: float,
    ) -> FrameFacts:
        """Take a frame that was looked at: the rest of `add`, without its pixels."""
        slope = slope_of_light(self._table, gain)
        energy, brightness = self._sharpness(glimpse)
        luma = reduced.luma
        if luma.size > SURVEY_PIXELS:
            small = reduced_shape(luma.shape, SURVEY_PIXELS)
            luma = np.asarray(_opencv.area_reduce(luma, small), np.float32)
        facts = FrameFacts(
            number=number,
            to_first=to_first,
            correlation=correlation,
            gain=gain,
            # Half precision is a sixteenth of the noise, and kept of every frame.
            luma=luma.astype(np.float16),
            light=reduced.cells,
            clipped=reduced.clipped,
            white=glimpse.white,
            near_white=glimpse.near_white,
            energy=energy * np.float32(slope**2),
            brightness=brightness,
            slope=slope,
        )
        self._frames.append(facts)
        return facts

    def facts(
        self,
        *,
        to_master: Matrix3x3 | None = None,
        unrelated: tuple[tuple[int, float], ...] = (),
    ) -> BracketFacts:
        """All that is known so far; more frames may follow."""
        if self._windows is not None:
            self._windows.free()
        return BracketFacts(
            shape=self._shape,
            frames=tuple(self._frames),
            floors=tuple(model.finish(self._table) for model in self._noise),
            table=self._table,
            to_master=np.eye(3) if to_master is None else to_master,
            unrelated=unrelated,
        )

    def _sharpness(self, glimpse: Glimpse) -> tuple[ImageF32, ImageF32]:
        """Energy by level and cell, and luma by cell."""
        grid = grid_shape(self._shape)
        if self._windows is None or glimpse.windows is None:
            blank = np.full((N_LEVELS, *grid), np.nan, np.float32)
            return blank, np.zeros(grid, np.float32)
        mosaic, is_seen = glimpse.windows
        energy, luma = self._windows.maps
        laplacian_energy(mosaic, n_threads=self._n_threads, out=(energy, luma))
        out = np.empty((N_LEVELS, *grid), np.float32)
        brightness = np.zeros(grid, np.float32)
        for level in range(N_LEVELS):
            if level > 1:
                half = (luma.shape[0] // 2, luma.shape[1] // 2)
                luma = np.asarray(_opencv.area_reduce(luma, half), np.float32)
            if level > 0:
                energy = _opencv.laplacian_energy(luma, POOL_SIGMA, POOL_REACH)
            inner = self._windows.inner(energy)
            inner_luma = self._windows.inner(luma)
            self._noise[level].add(_thinned(inner), _thinned(inner_luma))
            # The mean of roots: a few glints must not speak for a whole cell.
            root = self._windows.mean(np.sqrt(inner))
            out[level] = np.where(is_seen, root * root, np.nan)
            if level == 0:
                brightness = self._windows.mean(inner_luma)
        return out, brightness


def some_pixels(raw: Pixels, step: int) -> Pixels:
    """Copy every `step`-th pixel in both directions, in native byte order.

    A pixel at a time where its samples lie side by side, which halves the time.
    """
    first = (step - 1) // 2
    thin = raw[first::step, first::step]
    if raw.strides[2] == raw.itemsize:
        whole = raw.view(f"V{raw.shape[2] * raw.itemsize}")[first::step, first::step]
        thin = np.ascontiguousarray(whole).view(raw.dtype)
    return np.ascontiguousarray(  # type: ignore[return-value]
        thin.reshape(*thin.shape[:2], raw.shape[2]),
        dtype=raw.dtype.newbyteorder("="),
    )


def _thinned(inner: ImageF32) -> ImageF32:
    """(rows, h, columns, w) to two dimensions, every few samples where there are many."""
    step = max(1, round(np.sqrt(inner.size / NOISE_SAMPLES)))
    inner = inner[:, ::step, :, ::step]
    return inner.reshape(inner.shape[0] * inner.shape[1], -1)


def _white_shares(raw: Pixels) -> tuple[float, float]:
    """Fractions of the samples at full scale and just below."""
    step = max(1, int(np.sqrt(raw.shape[0] * raw.shape[1] / WHITE_SAMPLES)))
    samples = some_pixels(raw, step)
    top = np.iinfo(raw.dtype).max
    white = np.count_nonzero(samples == top)
    bright = np.count_nonzero(samples >= top - max(1, round(NEAR_WHITE * top)))
    return white / samples.size, (bright - white) / samples.size
