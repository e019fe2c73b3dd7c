"""Bad files: one clear line that names the file, whatever the bytes are."""

from io import BytesIO

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from stacker.errors import BracketError, FrameReadError
from stacker.files import FileSource, find_frames, read_metadata
from stacker.files.header import decode, read_header
from stacker.files.segments import jpegxl_size
from stacker.settings import ReadSettings

RNG = np.random.default_rng(19)
RGB = RNG.integers(1, 65535, (131, 173, 3), dtype=np.uint16)
SMOOTH = np.asarray(
    Image.fromarray((RGB[::16, ::16] >> 8).astype(np.uint8)).resize((173, 131))
)
MAX_PIXELS = 200 * 200


def tiff_bytes(pixels=RGB, **options):
    file = BytesIO()
    tifffile.imwrite(file, pixels, **({"photometric": "rgb"} | options))
    return file.getvalue()


def pillow_bytes(kind, **options):
    file = BytesIO()
    Image.fromarray(SMOOTH).save(file, kind, **options)
    return file.getvalue()


FILES = {
    "plain.tif": tiff_bytes(rowsperstrip=16),
    "one-strip.tif": tiff_bytes(rowsperstrip=131),
    "big-endian.tif": tiff_bytes(byteorder=">"),
    "bigtiff.tif": tiff_bytes(bigtiff=True),
    "planar.tif": tiff_bytes(
        np.ascontiguousarray(np.moveaxis(RGB, -1, 0)), planarconfig="separate"
    ),
    "tiles.tif": tiff_bytes(tile=(64, 48)),
    "deflate.tif": tiff_bytes(compression="zlib", predictor=True, rowsperstrip=16),
    "lzw.tif": tiff_bytes(compression="lzw", predictor=True, rowsperstrip=16),
    "zstd.tif": tiff_bytes(compression="zstd", tile=(64, 48)),
    "jpegxl.tif": tiff_bytes(compression="jpegxl", tile=(64, 48)),
    "jpeg.tif": tiff_bytes(SMOOTH, compression="jpeg", rowsperstrip=16),
    "sixteen.png": imagecodecs.png_encode(RGB, level=1),
    "eight.png": pillow_bytes("png"),
    "plain.jpg": pillow_bytes("jpeg", icc_profile=imagecodecs.cms_profile("srgb")),
    "progressive.jpg": pillow_bytes("jpeg", progressive=True, exif=Image.Exif()),
}


def read_all(path):
    """Everything that is done with a frame's file."""
    read_metadata(path)
    return decode(read_header(path, max_pixels=MAX_PIXELS), threads=2)


def read_or_message(path):
    try:
        return read_all(path), ""
    except FrameReadError as err:
        return None, str(err)


def read_beside_whole(folder, name, data):
    """Read a damaged frame as the second of three whose others are whole."""
    paths = [folder / f"{i}-{name}" for i in range(3)]
    for path in paths:
        path.write_bytes(FILES[name])
    paths[1].write_bytes(data)
    source = FileSource(paths, ReadSettings(max_pixels=MAX_PIXELS))
    return paths[1], [source.read(i) for i in range(3)]


@pytest.mark.parametrize("name", FILES)
def test_whole_files_are_read(tmp_path, name):
    _, frames = read_beside_whole(tmp_path, name, FILES[name])
    assert frames[1].shape == (131, 173, 3)


@pytest.mark.parametrize("part", [0.0, 0.003, 0.3, 0.6, 0.97])
@pytest.mark.parametrize("name", FILES)
def test_truncated_files_are_refused(tmp_path, name, part):
    data = FILES[name]
    with pytest.raises(FrameReadError, match=f"1-{name}: ") as caught:
        read_beside_whole(tmp_path, name, data[: int(part * len(data))])
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("part", [0.0, 0.003, 0.3, 0.6, 0.95])
@pytest.mark.parametrize("name", FILES)
def test_files_with_a_tail_of_zeros_are_refused(tmp_path, name, part):
    # What a copy looks like whose space was reserved before it was filled.
    if name == "tiles.tif" and part > 0.9:
        pytest.skip("zeros within the last plain tile may be its padding")
    data = FILES[name]
    kept = int(part * len(data))
    with pytest.raises(FrameReadError, match=f"1-{name}: ") as caught:
        read_beside_whole(tmp_path, name, data[:kept] + bytes(len(data) - kept))
    assert "\n" not in str(caught.value)


def test_a_last_strip_of_zeros_is_refused(tmp_path):
    with tifffile.TiffFile(BytesIO(FILES["plain.tif"])) as tif:
        at = tif.pages.first.dataoffsets[-2]
    data = FILES["plain.tif"][:at]
    data += bytes(len(FILES["plain.tif"]) - at)
    with pytest.raises(FrameReadError, match="last 19 rows hold only zeros"):
        read_beside_whole(tmp_path, "plain.tif", data)


@pytest.mark.parametrize("n_black", [1, 3, 40, 131])
def test_frames_that_all_end_in_black_are_pictures(tmp_path, n_black):
    paths = []
    for i in range(3):
        pixels = RNG.integers(1, 65535, (131, 173, 3), dtype=np.uint16)
        pixels[131 - n_black :] = 0
        paths.append(tmp_path / f"{i}.tif")
        tifffile.imwrite(paths[-1], pixels, photometric="rgb")
    source = FileSource(paths)
    assert not source.read(1)[131 - n_black :].any()


def test_black_borders_of_registered_frames_are_pictures(tmp_path):
    paths = []
    for i in range(3):
        pixels = RNG.integers(1, 65535, (131, 173, 3), dtype=np.uint16)
        if i:
            pixels[131 - 2 * i :] = 0
            pixels[:, 173 - 3 * i :] = 0
        paths.append(tmp_path / f"{i}.tif")
        tifffile.imwrite(paths[-1], pixels, photometric="rgb")
    assert len(FileSource(paths).infos) == 3


@pytest.mark.parametrize(
    ("pixels", "options", "words"),
    [
        (RGB.astype(np.float32), {}, "32-bit floating point samples"),
        (RGB.astype(np.uint32), {}, "32-bit integer samples"),
        (RGB.astype(np.int16), {}, "16-bit signed samples"),
        (
            SMOOTH[:, :, 0],
            {"photometric": "palette", "colormap": np.zeros((3, 256), np.uint16)},
            "palette colour",
        ),
        (
            np.dstack([SMOOTH, SMOOTH[:, :, 0]]),
            {"photometric": "separated"},
            "CMYK",
        ),
        (SMOOTH, {"photometric": "cielab"}, "CIE Lab"),
        (SMOOTH[:, :, 0], {"photometric": "cfa"}, "raw sensor data"),
        (SMOOTH, {"compression": "webp"}, "compression 50001 is not supported"),
        (SMOOTH, {"subfiletype": 1}, "no picture in it but thumbnails"),
    ],
)
def test_other_kinds_of_tiff_are_refused_in_words(tmp_path, pixels, options, words):
    path = tmp_path / "a.tif"
    path.write_bytes(tiff_bytes(pixels, **options))
    with pytest.raises(FrameReadError, match=rf"a\.tif: .*{words}"):
        read_all(path)


@pytest.mark.parametrize(
    ("mode", "kind", "words"),
    [
        ("P", "png", "palette colour"),
        ("1", "png", "1-bit samples"),
        ("CMYK", "jpeg", "CMYK"),
    ],
)
def test_other_kinds_of_png_and_jpeg_are_refused_in_words(tmp_path, mode, kind, words):
    path = tmp_path / f"a.{kind}"
    Image.fromarray(SMOOTH).convert(mode).save(path, kind)
    with pytest.raises(FrameReadError, match=words):
        read_all(path)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (bytes(5000), "begins with zeros"),
        (b"hello, world", "is not a TIFF, PNG, JPEG or camera raw file"),
        (b"II*\0\xff\xff\xff\xff", "no picture in it"),
    ],
)
def test_what_is_no_picture_is_refused_in_words(tmp_path, data, words):
    path = tmp_path / "a.tif"
    path.write_bytes(data)
    with pytest.raises(FrameReadError, match=words):
        read_header(path, max_pixels=MAX_PIXELS)


def test_missing_and_unreadable_files(tmp_path):
    with pytest.raises(FrameReadError, match="no such file"):
        read_all(tmp_path / "gone.tif")
    with pytest.raises(FrameReadError, match="is a folder"):
        read_all(tmp_path)


def test_a_file_that_changes_between_header_and_decoding(tmp_path):
    paths = [tmp_path / f"{i}.tif" for i in range(2)]
    for path in paths:
        path.write_bytes(FILES["plain.tif"])
    source = FileSource(paths)
    paths[0].write_bytes(tiff_bytes(RGB[:100]))
    with pytest.raises(FrameReadError, match="has changed while it was in use"):
        source.read(0)
    paths[1].unlink()
    with pytest.raises(FrameReadError, match="no such file"):
        source.read(1)


def test_a_strip_that_unpacks_to_more_than_its_rows(tmp_path):
    # A small file must not fill the memory: one strip of zeros, 200 times too long.
    packed = bytes(imagecodecs.deflate_encode(bytes(SMOOTH.nbytes * 200), level=9))
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as tif:
        tif.write(
            iter([packed]),
            shape=SMOOTH.shape,
            dtype=np.uint8,
            photometric="rgb",
            compression="zlib",
            rowsperstrip=131,
        )
    with pytest.raises(FrameReadError, match="damaged"):
        read_all(path)


@pytest.mark.parametrize("compression", ["jpegxl", "jpeg"])
def test_a_tile_that_declares_more_than_its_place(tmp_path, compression):
    # Its decoder would ask for memory by what the tile says.
    encode = getattr(imagecodecs, f"{compression}_encode")
    packed = bytes(encode(np.zeros((1080, 1920, 3), np.uint8)))
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as tif:
        tif.write(
            iter([packed]),
            shape=(64, 48, 3),
            dtype=np.uint8,
            photometric="rgb",
            compression=compression,
            tile=(64, 48),
        )
    with pytest.raises(FrameReadError, match="a piece of 1920 x 1080 pixels where"):
        read_header(path, max_pixels=MAX_PIXELS)


@pytest.mark.parametrize("container", [False, True])
@pytest.mark.parametrize(
    "shape",
    [(1, 1), (8, 8), (40, 56), (300, 400), (131, 173), (1080, 1920), (1, 70000)],
)
def test_the_size_that_a_jpegxl_declares(shape, container):
    packed = imagecodecs.jpegxl_encode(
        np.zeros(shape, np.uint8), effort=1, lossless=True, usecontainer=container
    )
    assert jpegxl_size(bytes(packed)) == shape


@pytest.mark.parametrize("name", FILES)
@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_mutated_files_end_in_pixels_or_in_one_line(tmp_path, name, data):
    content = bytearray(FILES[name])
    # Half of the changes hit the first bytes, where the structure is.
    ends = st.one_of(st.integers(0, 400), st.integers(0, len(content) - 1))
    for _ in range(data.draw(st.integers(1, 6))):
        at = min(data.draw(ends), len(content) - 1)
        content[at] = data.draw(st.one_of(st.integers(0, 255), st.just(255)))
    path = tmp_path / name
    path.write_bytes(content)
    pixels, message = read_or_message(path)
    if pixels is None:
        assert message.startswith(f"{path}: ")
        assert "\n" not in message
    else:
        assert pixels.dtype in (np.uint8, np.uint16)
        assert pixels.shape[0] * pixels.shape[1] <= MAX_PIXELS


@pytest.mark.parametrize("order", ["name", "captured"])
def test_finding_frames_reads_damaged_files_without_harm(tmp_path, order):
    (tmp_path / "a.tif").write_bytes(b"II*\0" + b"\xff" * 40)
    (tmp_path / "b.tif").write_bytes(FILES["plain.tif"])
    if order == "name":
        assert len(find_frames([tmp_path])) == 2
    else:
        with pytest.raises(BracketError, match="no time of capture"):
            find_frames([tmp_path], order="captured")
