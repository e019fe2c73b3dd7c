"""A file that is still being written is seen to be, whatever its format and its writer."""

from io import BytesIO

import numpy as np
import pytest
import tifffile
from PIL import Image

from stacker.files.whole import examine

PIXELS = np.random.default_rng(3).integers(1, 65535, (61, 97, 3), np.uint16)
MAX_PIXELS = 10**9


def tiff(**options):
    file = BytesIO()
    tifffile.imwrite(file, PIXELS, photometric="rgb", metadata=None, **options)
    return file.getvalue()


def picture(kind):
    file = BytesIO()
    Image.fromarray((PIXELS >> 8).astype(np.uint8)).save(file, kind)
    return file.getvalue()


def dng():
    """A thumbnail in the first directory, the mosaic in a sub-directory."""
    file = BytesIO()
    with tifffile.TiffWriter(file) as tif:
        tif.write(
            np.full((6, 9, 3), 90, np.uint8),
            photometric="rgb",
            subifds=1,
            metadata=None,
            subfiletype=1,
            extratags=[(50706, 1, 4, b"\1\4\0\0", True)],  # DNGVersion 1.4
        )
        tif.write(PIXELS[..., 0], photometric=32803, metadata=None, subfiletype=0)
    return file.getvalue()


FILES = {
    "plain.tif": tiff(),
    "deflate.tif": tiff(compression="zlib", rowsperstrip=7),
    "tiles.tif": tiff(tile=(16, 32)),
    "lzw.tif": tiff(compression="lzw", rowsperstrip=16),
    "big.tif": tiff(bigtiff=True, compression="zlib"),
    "a.jpg": picture("JPEG"),
    "a.png": picture("PNG"),
}


@pytest.fixture
def look(tmp_path):
    def write_and_look(name, data):
        path = tmp_path / name
        path.write_bytes(data)
        return examine(path, max_pixels=MAX_PIXELS)

    return write_and_look


@pytest.mark.parametrize("name", FILES)
def test_whole_files_are_whole(look, name):
    found = look(name, FILES[name])
    assert found.is_whole
    assert found.info is not None
    assert (found.info.height, found.info.width) == PIXELS.shape[:2]


@pytest.mark.parametrize("share", [0.0, 0.001, 0.01, 0.1, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("name", FILES)
def test_a_file_that_is_cut_off_is_not_whole(look, name, share):
    data = FILES[name]
    found = look(name, data[: int(share * len(data))])
    assert found.lacking
    assert not found.is_whole


@pytest.mark.parametrize("share", [0.0, 0.01, 0.1, 0.5, 0.9])
@pytest.mark.parametrize("name", FILES)
def test_a_file_whose_tail_is_still_zeros_is_not_whole(look, name, share):
    """Written to its full length first, then filled: size says nothing."""
    data = FILES[name]
    n = int(share * len(data))
    assert not look(name, data[:n] + bytes(len(data) - n)).is_whole


def test_a_picture_with_a_black_foot_is_only_doubted(look):
    """It may well be whole: somebody who waits shall not wait for ever."""
    pixels = PIXELS.copy()
    pixels[-12:] = 0
    file = BytesIO()
    tifffile.imwrite(file, pixels, photometric="rgb", metadata=None)
    found = look("black.tif", file.getvalue())
    assert found.doubt
    assert not found.lacking


def test_what_is_no_frame_says_why(look):
    assert look("a.tif", b"").lacking == "is empty"
    assert "zeros" in look("a.tif", bytes(5000)).lacking
    assert "not a TIFF" in look("a.tif", b"hello, world" * 50).lacking


def test_a_file_that_is_not_there_is_not_whole(tmp_path):
    assert examine(tmp_path / "a.tif", max_pixels=9).lacking == "no such file"


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_a_dng_that_is_still_written_is_not_whole(look, share):
    """The mosaic in its sub-directory counts, not only the thumbnail."""
    pytest.importorskip("rawpy", reason="the extra for raw files is not installed")
    data = dng()
    n = int(share * len(data))
    assert not look("a.dng", data[:n]).is_whole
    assert not look("a.dng", data[:n] + bytes(len(data) - n)).is_whole
