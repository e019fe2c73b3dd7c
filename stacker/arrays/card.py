"""Both passes on a graphics card, by CuPy.

Where arithmetic on whole arrays would keep the card waiting, `passes.cu` has code of its
own for the same step.
"""

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt

from stacker._kernels import LANCZOS_TAPS
from stacker.arrays.blending import Sums
from stacker.arrays.lanczos import lanczos_weights
from stacker.arrays.passes import ArrayPasses
from stacker.arrays.smoothing import gaussian_kernel
from stacker.arrays.warping import places
from stacker.errors import InputError
from stacker.frame import Matrix3x3

__all__ = ["CardPasses"]

USE_CPU = "or leave --device at cpu"
# As in passes.cu: columns and most rows of a tile, steps of a phase.
TILE = 64
MOST_TILE_ROWS = 16
PHASES = 2048
THREADS = 256
# Shared memory that every card has, for one block of threads.
SHARED_BYTES = 48 << 10
MISSING = (
    f"device is cuda: CuPy is not installed: pip install 'stacker[cuda]', {USE_CPU}"
)


def _cupy() -> Any:
    """Import CuPy and find a card, or say in one line what is missing."""
    try:
        import cupy  # noqa: PLC0415  only where a card is asked for
    except ImportError as err:
        raise InputError(MISSING) from err
    try:
        n_cards = int(cupy.cuda.runtime.getDeviceCount())
        reason = "" if n_cards else "the driver lists none"
    except Exception as err:  # noqa: BLE001  a missing driver has many faces
        n_cards, reason = 0, str(err).partition("\n")[0]
    if not n_cards:
        msg = f"device is cuda: no graphics card found ({reason}): see to it, {USE_CPU}"
        raise InputError(msg)
    return cupy


def phase_table() -> npt.NDArray[np.float32]:
    """Lanczos weights by phase, `PHASES` to the pixel, one row beyond its end."""
    phase = np.arange(PHASES + 2) / PHASES
    return np.asarray(lanczos_weights(np, phase), np.float32)


def tile_for(
    to_frame: Matrix3x3, shape: tuple[int, int, int]
) -> tuple[int, int] | None:
    """Rows of a tile, and columns of the frame that a tile needs at most.

    None where no tile fits the shared memory: a transform that squeezes hundreds of
    columns into one.
    """
    height, width, channels = shape
    rows = MOST_TILE_ROWS
    while rows >= 1:
        x = np.arange(0, width + TILE, TILE, dtype=float)[None, :]
        y = np.arange(0, height + rows, rows, dtype=float)[:, None]
        across, _ = places(to_frame, x, y)
        corners = [across[:-1, :-1], across[1:, :-1], across[:-1, 1:], across[1:, 1:]]
        spread = float((np.maximum.reduce(corners) - np.minimum.reduce(corners)).max())
        n_columns = int(np.ceil(spread)) + LANCZOS_TAPS + 2
        if rows * n_columns * channels * 4 <= SHARED_BYTES:
            return rows, n_columns
        rows //= 2
    return None


class CardPasses(ArrayPasses):
    """Both passes on a graphics card.

    Raises
    ------
    InputError
        No CuPy, no driver, no card.
    """

    def __init__(self) -> None:
        super().__init__(_cupy())
        with self.errors():
            self._table = self.xp.asarray(phase_table())
        self._modules: dict[tuple[np.dtype[Any], int], Any] = {}

    def download(self, array: Any) -> Any:
        """Copy to the processor's memory."""
        return self.xp.asnumpy(array)

    def errors(self) -> AbstractContextManager[None]:
        """Turn what goes wrong on the card into one line."""
        return _one_line(self.xp)

    def _kernel(self, dtype: np.dtype[Any], channels: int, name: str) -> Any:
        key = (dtype, channels)
        if key not in self._modules:
            code = "unsigned char" if dtype == np.uint8 else "unsigned short"
            head = f"#define CODE {code}\n#define CHANNELS {channels}\n"
            body = resources.files("stacker.arrays").joinpath("passes.cu").read_text()
            self._modules[key] = self.xp.RawModule(code=head + body)
        return self._modules[key].get_function(name)

    def half_energy(self, raw: Any) -> tuple[Any, Any]:
        """Squared Laplacian and luma at half size; see `energy.half_energy`."""
        height, width = raw.shape[:2]
        half = (height + 1) // 2, (width + 1) // 2
        energy, luma = self.xp.empty(half, np.float32), self.xp.empty(half, np.float32)
        threads = 32, 8
        blocks = -(-half[1] // threads[0]), -(-half[0] // threads[1])
        scale = np.float32(1 / np.iinfo(raw.dtype).max)
        size = np.int32(height), np.int32(width)
        self._kernel(raw.dtype, raw.shape[2], "half_energy")(
            blocks, threads, (raw, *size, scale, energy, luma)
        )
        return energy, luma

    def gaussian_blur(self, image: Any, sigma_px: float, reach_px: int = 0) -> Any:
        """Gaussian blur of a map; see `smoothing.gaussian_blur`."""
        from cupyx.scipy.ndimage import correlate1d  # noqa: PLC0415  as CuPy itself

        bell = self.xp.asarray(gaussian_kernel(sigma_px, reach_px).astype(np.float32))
        rows = correlate1d(image, bell, axis=1, mode="mirror")
        return correlate1d(rows, bell, axis=0, mode="mirror")

    def warped(
        self,
        images: Sequence[Any],
        out_to_in: Matrix3x3,
        shape: tuple[int, int],
        *,
        outside: float | None = None,
    ) -> list[Any]:
        """Sample maps elsewhere; see `warping.warp_linear`."""
        matrix = self.xp.asarray(np.ascontiguousarray(out_to_in, np.float64))
        beyond = np.float32(np.nan if outside is None else outside)
        threads = 32, 8
        blocks = -(-shape[1] // threads[0]), -(-shape[0] // threads[1])
        found = []
        for image in images:
            out = self.xp.empty(shape, np.float32)
            sizes = (np.int32(n) for n in (*image.shape, *shape))
            source = self.xp.ascontiguousarray(image)
            self._kernel(np.dtype(np.uint16), 1, "warp_linear")(
                blocks, threads, (source, matrix, *sizes, beyond, out)
            )
            found.append(out)
        return found

    def median_5x5(self, image: Any) -> Any:
        """Median over 5 x 5 pixels of a map."""
        from cupyx.scipy.ndimage import median_filter  # noqa: PLC0415  as CuPy itself

        return median_filter(image, size=5, mode="nearest")

    def add_frame(
        self,
        sums: Sums,
        frame: Any,
        to_frame: Matrix3x3,
        curves: Any,
        half_weights: Any,
    ) -> None:
        """Resample a frame, light it and add it to the sums by its weights."""
        tile = tile_for(to_frame, frame.shape)
        if tile is None:
            super().add_frame(sums, frame, to_frame, curves, half_weights)
            return
        rows, n_columns = tile
        height, width, channels = frame.shape
        matrix = self.xp.asarray(np.ascontiguousarray(to_frame, np.float64))
        to16 = np.float32(257 if frame.dtype.itemsize == 1 else 1)
        self._kernel(frame.dtype, channels, "add_frame")(
            (-(-width // TILE), -(-height // rows)),
            (THREADS,),
            (
                *(frame, matrix, curves, self._table, half_weights, to16),
                *(np.int32(height), np.int32(width)),
                *(np.int32(rows), np.int32(n_columns)),
                *sums,
            ),
            shared_mem=rows * n_columns * channels * 4,
        )


@contextmanager
def _one_line(cupy: Any) -> Iterator[None]:
    faults = (
        cupy.cuda.memory.OutOfMemoryError,
        cupy.cuda.runtime.CUDARuntimeError,
        cupy.cuda.driver.CUDADriverError,
        cupy.cuda.compiler.CompileException,
    )
    try:
        yield
    except faults as err:
        first_line = str(err).partition("\n")[0]
        msg = f"device is cuda: the card failed ({first_line}): free its memory, {USE_CPU}"
        raise InputError(msg) from err
