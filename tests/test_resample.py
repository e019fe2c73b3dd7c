"""One frame on the master's grid: the fusion's own resampling, and windows of files."""

import itertools
from typing import Any

import numpy as np
import pytest
import tifffile

from stacker.errors import InputError
from stacker.files import FileSource
from stacker.frame import ArraySource, Box, FrameRecord
from stacker.light import normalising_table, srgb_transfer
from stacker.resample import AlignedFrames, aligned_window, window_needed

SHAPE = (41, 67)


class Windows(ArraySource):
    """Frames in memory that can be read in part."""

    def read_window(self, index, box):
        whole = self.read(index)
        part = whole[
            box.row : box.row + box.height, box.column : box.column + box.width
        ]
        return np.ascontiguousarray(part)


def turned(scale=1.02, angle=0.01, shift=(1.3, -2.6)):
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    return np.array([[c, -s, shift[0]], [s, c, shift[1]], [0, 0, 1.0]])


def record(transform, gain_ev=(0.0, 0.0, 0.0), *, used=True):
    return FrameRecord(
        transform=transform, correlation=1, gain_ev=gain_ev, share=0.5, used=used
    )


def smooth(shape, channels=3):
    """A picture whose value between the pixels is known."""

    def value(x, y, c):
        return 0.5 + 0.2 * np.sin(0.31 * x + c) + 0.2 * np.cos(0.27 * y - c)

    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.stack([value(x, y, c) for c in range(channels)], axis=-1), value


def test_frame_lands_where_its_transform_says():
    """Master pixel (x, y) shows the frame at inverse(transform) (x, y)."""
    picture, value = smooth(SHAPE)
    raw = np.round(picture * 65535).astype(np.uint16)
    to_raw = np.linalg.inv(turned())
    curves = normalising_table(srgb_transfer(3), np.ones(3))
    out = aligned_window(raw, to_raw, curves, SHAPE)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    places = to_raw @ np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    fx, fy = places[0].reshape(SHAPE), places[1].reshape(SHAPE)
    inside = (fx > 3) & (fy > 3) & (fx < SHAPE[1] - 4) & (fy < SHAPE[0] - 4)
    assert inside.mean() > 0.6
    for c in range(3):
        expected = value(fx, fy, c) * 65535
        # 0.6 %: the interpolation error of the kernel at a twentieth of the sampling rate.
        assert np.abs(out[..., c] - expected)[inside].max() < 0.006 * 65535


def test_a_frame_that_was_not_moved_comes_back_as_it_is():
    raw = np.random.default_rng(2).integers(0, 65536, (*SHAPE, 3), np.uint16)
    curves = normalising_table(srgb_transfer(3), np.ones(3))
    np.testing.assert_array_equal(aligned_window(raw, np.eye(3), curves, SHAPE), raw)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_window_is_a_part_of_the_whole(channels, dtype):
    """At the picture's edges and inside, for any thread count.

    Where the runs of one phase begin depends on the window: a 2000th of the contrast,
    here in pure noise, far less in a picture.
    """
    rng = np.random.default_rng(3)
    shape = SHAPE if channels == 1 else (*SHAPE, channels)
    frames = [rng.integers(0, np.iinfo(dtype).max, shape, dtype) for _ in range(2)]
    gains = (0.1,) * channels
    table = srgb_transfer(channels)
    records = [record(turned(), gains), record(np.eye(3), gains)]
    aligned = AlignedFrames(Windows(frames), records, table, n_threads=1)
    threaded = AlignedFrames(Windows(frames), records, table, n_threads=3)
    whole = aligned.window(0)
    assert whole.shape == shape
    assert whole.dtype == np.uint16
    np.testing.assert_array_equal(threaded.window(0), whole)
    for box in (
        Box(row=0, column=0, height=5, width=7),
        Box(row=13, column=20, height=17, width=9),
        Box(row=40, column=66, height=1, width=1),
    ):
        part = whole[
            box.row : box.row + box.height, box.column : box.column + box.width
        ]
        off = np.abs(aligned.window(0, box).astype(int) - part)
        assert off.max() <= 65535 / 2000


def test_light_is_the_masters():
    """A frame that is a third of a stop too dark, with gain_ev +1/3, comes out right."""
    linear = np.linspace(0.01, 0.5, SHAPE[1])
    codes = np.arange(65536) / 65535
    curve = srgb_transfer(1)[0].astype(float)
    encode = lambda light: np.interp(light, curve, codes)  # noqa: E731
    codes_of_dark = np.broadcast_to(encode(linear * 2 ** (-1 / 3)) * 65535, SHAPE)
    dark = np.round(codes_of_dark).astype(np.uint16)
    records = [record(np.eye(3), (1 / 3,)), record(np.eye(3), (0.0,))]
    aligned = AlignedFrames(Windows([dark, dark]), records, srgb_transfer(1))
    expected = np.broadcast_to(encode(linear) * 65535, SHAPE)
    assert np.abs(aligned.window(0) - expected).max() < 3  # rounding of dark codes


def test_what_cannot_be_had_is_refused():
    frames = [np.zeros(SHAPE, np.uint8)] * 2
    records = [record(np.eye(3), (0.0,)), record(np.eye(3), (0.0,), used=False)]
    aligned = AlignedFrames(Windows(frames), records, srgb_transfer(1))
    with pytest.raises(InputError, match="no frame 2: the bracket has 0 to 1"):
        aligned.window(2)
    with pytest.raises(InputError, match="frame 1 was left out"):
        aligned.window(1)
    with pytest.raises(
        InputError, match="region 60,0,8,4 leaves the picture of 67 x 41"
    ):
        aligned.window(0, Box(row=0, column=60, height=4, width=8))
    with pytest.raises(InputError, match="2 files but 1 frames"):
        AlignedFrames(Windows(frames), records[:1], srgb_transfer(1))


def test_needed_window_stays_in_the_frame():
    shift = np.eye(3)
    shift[0, 2] = 1000
    box = Box(row=3, column=4, height=5, width=6)
    needed = window_needed(box, shift, SHAPE)
    assert (needed.row, needed.column, needed.width) == (0, 66, 1)
    assert 8 < needed.height < 20  # five rows and the kernel's reach


LAYOUTS: list[Any] = [
    (channels, dtype, compression, predictor, is_tiled, order)
    for channels, dtype, compression, predictor, is_tiled, order in itertools.product(
        (1, 3, 4), (np.uint8, np.uint16), (None, "zlib", "lzw"), (0, 1), (0, 1), "<>"
    )
    if compression or not predictor
]


@pytest.mark.parametrize("channels", [1, 3, 4])
def test_windows_of_tiff_files_hold_the_same_pixels(tmp_path, channels):
    """Strips and tiles, compressed or not, either byte order; alpha is dropped."""
    rng = np.random.default_rng(1)
    path = tmp_path / "x.tif"
    for n, dtype, compression, predictor, is_tiled, order in LAYOUTS:
        if n != channels:
            continue
        shape = (131, 173) if n == 1 else (131, 173, n)
        tifffile.imwrite(
            path,
            rng.integers(0, 256, shape).astype(dtype),
            photometric="rgb" if n > 1 else "minisblack",
            extrasamples=["unassalpha"] if n == 4 else None,
            compression=compression,
            predictor=bool(predictor),
            byteorder=order,
            metadata=None,
            **({"tile": (32, 48)} if is_tiled else {"rowsperstrip": 17}),
        )
        source = FileSource([path, path])
        whole = source.read(0)
        for box in (
            Box(row=0, column=0, height=131, width=173),
            Box(row=40, column=33, height=20, width=70),
            Box(row=130, column=172, height=1, width=1),
        ):
            part = source.read_window(1, box)
            assert part.flags.c_contiguous
            assert part.dtype == whole.dtype
            rows = slice(box.row, box.row + box.height)
            expected = whole[rows, box.column : box.column + box.width]
            np.testing.assert_array_equal(part, expected)


def test_windows_of_turned_files_are_upright(tmp_path):
    pixels = np.random.default_rng(4).integers(0, 65536, (31, 53, 3), np.uint16)
    path = tmp_path / "x.tif"
    tifffile.imwrite(
        path,
        pixels,
        photometric="rgb",
        metadata=None,
        extratags=[(274, "H", 1, 6, True)],  # Orientation: turn right
    )
    source = FileSource([path, path])
    part = source.read_window(0, Box(row=50, column=1, height=3, width=4))
    np.testing.assert_array_equal(part, np.rot90(pixels, -1)[50:53, 1:5])


def test_only_what_is_needed_is_read(tmp_path):
    """Damage outside the region does not matter, inside it is named."""
    from stacker.errors import FrameReadError

    pixels = np.random.default_rng(4).integers(0, 65536, (128, 53), np.uint16)
    path = tmp_path / "x.tif"
    tifffile.imwrite(path, pixels, compression="zlib", rowsperstrip=32, metadata=None)
    with tifffile.TiffFile(path) as tif:
        at = tif.pages.first.dataoffsets[3]
    data = bytearray(path.read_bytes())
    data[at : at + 40] = b"\xff" * 40
    path.write_bytes(data)
    source = FileSource([path, path])
    part = source.read_window(0, Box(row=10, column=0, height=80, width=53))
    np.testing.assert_array_equal(part, pixels[10:90])
    with pytest.raises(FrameReadError, match=r"x\.tif: "):
        source.read_window(0, Box(row=100, column=0, height=1, width=1))


def test_no_transform_whatever_leaves_the_buffers():
    """Places far beyond a frame repeat its edge; nonsense gives a picture, not a crash."""
    rng = np.random.default_rng(31)
    raw = rng.integers(0, 65535, (37, 53, 3), np.uint16)
    curves = np.repeat(np.linspace(0, 1, 65536, dtype=np.float32)[None], 3, axis=0)
    for k in range(200):
        m = np.eye(3) + rng.normal(0, (1e-3, 0.1, 3.0)[k % 3], (3, 3))
        m[:2, 2] += rng.normal(0, (1.0, 1e2, 1e12)[k // 3 % 3], 2)
        if k % 11 == 0:
            m[0, 0] = np.nan
        assert aligned_window(raw, m, curves, (41, 77)).shape == (41, 77, 3)
    for shift, column in ((1000, -1), (-1000, 0)):
        m = np.eye(3)
        m[0, 2] = shift
        beyond = aligned_window(raw, m, curves, raw.shape[:2])
        np.testing.assert_array_equal(beyond, np.repeat(raw[:, [column]], 53, axis=1))
