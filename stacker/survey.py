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
from stacker.sharpness import NoiseFloor, NoiseModel, laplacian_energy

__all__ = [
    "N_LEVELS",
    "BracketFacts",
    "FrameFacts",
    "Survey",
    "grid_shape",
    "some_pixels",
]

# Thumbnails: enough to see a speck of dust a hundredth of the picture wide.
SURVEY_PIXELS = 4.0e5
# Cells of the grid: small enough to hold one depth, at least this large in pixels.
LONG_SIDE_CELLS = 32
SMALLEST_CELL_PX = 24
# Windows overlap their neighbours where pixels are few, and are samples where many.
WINDOW_PER_CELL = 1.5
LARGEST_WINDOW_PX = 64
N_LEVELS = 3
"""Scales at which sharpness is measured: full size, a half, a quarter."""
POOL_SIGMA, POOL_REACH = 1.0, 2  # as `stacker.sharpness` pools
# Seams of the windows reach as far as that and the Laplacian, at the coarsest scale.
WINDOW_MARGIN_PX = (POOL_REACH + 1) << (N_LEVELS - 1)
# A window may lie outside the picture by this share of its size.
MOST_OUTSIDE = 0.25
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


def grid_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Rows and columns of nearly square cells over a picture of `shape`."""
    height, width = shape
    n_long = min(LONG_SIDE_CELLS, max(1, max(shape) // SMALLEST_CELL_PX))
    side = max(shape) / n_long
    return max(1, round(height / side)), max(1, round(width / side))


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
        self._windows: _Windows | None = (
            beside._windows if beside else _Windows.over(shape)
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


@dataclass(slots=True)
class _Windows:
    """One window per cell of the grid, side by side in a mosaic.

    Attributes
    ----------
    shape, grid : (int, int)
        Of the picture, and of the cells.
    height, width : int
        Of a window, margins included; multiples of 8.
    """

    shape: tuple[int, int]
    grid: tuple[int, int]
    height: int
    width: int
    # Used again for every frame: fresh pages cost a third of the work done in them.
    _mosaic: Pixels | None = field(default=None, init=False, repr=False)
    _maps: tuple[ImageF32, ImageF32] | None = field(
        default=None, init=False, repr=False
    )

    @classmethod
    def over(cls, shape: tuple[int, int]) -> "_Windows | None":
        """Lay windows over a picture; None if it is too small for one."""
        grid = grid_shape(shape)
        sides = []
        for length, n_cells in zip(shape, grid, strict=True):
            wanted = min(WINDOW_PER_CELL * length / n_cells, LARGEST_WINDOW_PX)
            sides.append(8 * max(1, round(wanted / 8)) + 2 * WINDOW_MARGIN_PX)
        if sides[0] > shape[0] or sides[1] > shape[1]:
            return None
        return cls(shape, grid, *sides)

    def free(self) -> None:
        """Let go of the memory to work in, until the next frame."""
        self._mosaic = self._maps = None

    @property
    def maps(self) -> tuple[ImageF32, ImageF32]:
        """Two maps at half the mosaic's size to work in, overwritten each time."""
        if self._maps is None:
            shape = (
                self.grid[0] * self.height // 2,
                self.grid[1] * self.width // 2,
            )
            self._maps = np.empty(shape, np.float32), np.empty(shape, np.float32)
        return self._maps

    def cut(
        self, raw: Pixels, to_first: Matrix3x3
    ) -> tuple[Pixels, npt.NDArray[np.bool_]]:
        """Cut the windows out of a frame.

        Returns
        -------
        mosaic : (rows * height, columns * width, C) array
            In native byte order; overwritten by the next call.
        is_seen : (rows, columns) bool array
            False where the window would lie outside the picture.
        """
        rows, columns = self.grid
        height, width = self.height, self.width
        y, x = np.meshgrid(
            (np.arange(rows) + 0.5) * self.shape[0] / rows - 0.5,
            (np.arange(columns) + 0.5) * self.shape[1] / columns - 0.5,
            indexing="ij",
        )
        places = np.linalg.inv(to_first) @ np.stack(
            [x.ravel(), y.ravel(), np.ones(x.size)]
        )
        left = (places[0] / places[2] - (width - 1) / 2).round().astype(int)
        top = (places[1] / places[2] - (height - 1) / 2).round().astype(int)
        last_left, last_top = self.shape[1] - width, self.shape[0] - height
        x_out, y_out = MOST_OUTSIDE * width, MOST_OUTSIDE * height
        is_seen = (left >= -x_out) & (left <= last_left + x_out)
        is_seen &= (top >= -y_out) & (top <= last_top + y_out)
        left, top = np.clip(left, 0, last_left), np.clip(top, 0, last_top)
        shape = (rows * height, columns * width, raw.shape[2])
        dtype = raw.dtype.newbyteorder("=")
        whole = self._mosaic
        if whole is None or whole.shape != shape or whole.dtype != dtype:
            whole = self._mosaic = np.empty(shape, dtype)
        mosaic = whole.reshape(rows, height, columns, width, raw.shape[2])
        top, left = top.reshape(rows, columns), left.reshape(rows, columns)
        for i in range(rows):
            for j in range(columns):
                row, column = int(top[i, j]), int(left[i, j])
                mosaic[i, :, j] = raw[row : row + height, column : column + width]
        return whole, is_seen.reshape(rows, columns)

    def inner(self, mosaic: ImageF32) -> ImageF32:
        """Windows without their margins, (rows, h, columns, w), from a reduced mosaic."""
        rows, columns = self.grid
        h, w = mosaic.shape[0] // rows, mosaic.shape[1] // columns
        my, mx = WINDOW_MARGIN_PX * h // self.height, WINDOW_MARGIN_PX * w // self.width
        parts = mosaic.reshape(rows, h, columns, w)
        return parts[:, my : h - my, :, mx : w - mx]

    def mean(self, inner: ImageF32) -> ImageF32:
        """Mean by cell that fades towards the border of the window, (rows, columns).

        What enters a window at its border, because frames differ in scale and are cut
        at whole pixels, must not change the mean at once.
        """
        fade_y = np.hanning(inner.shape[1] + 2)[1:-1].astype(np.float32)
        fade_x = np.hanning(inner.shape[3] + 2)[1:-1].astype(np.float32)
        # No product of matrices: threads of BLAS would spin beside the decoder.
        rows = np.einsum("rhcw,h->rcw", inner, fade_y / fade_y.sum())
        return np.asarray(np.einsum("rcw,w->rc", rows, fade_x / fade_x.sum()))
