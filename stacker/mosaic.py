"""Windows into a frame, one per cell of a grid, side by side: what a survey looks at.

Large against what the scales of sharpness reach, small against the picture: of 100
megapixels they hold six.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stacker.frame import ImageF32, Matrix3x3, Pixels

__all__ = ["N_LEVELS", "POOL_REACH", "POOL_SIGMA", "Windows", "grid_shape"]

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


def grid_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Rows and columns of nearly square cells over a picture of `shape`."""
    height, width = shape
    n_long = min(LONG_SIDE_CELLS, max(1, max(shape) // SMALLEST_CELL_PX))
    side = max(shape) / n_long
    return max(1, round(height / side)), max(1, round(width / side))


@dataclass(slots=True)
class Windows:
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
    def over(cls, shape: tuple[int, int]) -> "Windows | None":
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
