"""Reading: every layout comes out as the same upright pixels."""

import subprocess
import sys
from datetime import datetime, timedelta, timezone

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from stacker.errors import BracketError, FrameReadError
from stacker.files import FileSource
from stacker.settings import ReadSettings

RNG = np.random.default_rng(7)
RGB = RNG.integers(0, 65535, (131, 173, 3), dtype=np.uint16)
GREY = np.ascontiguousarray(RGB[:, :, 0])
RGB8 = (RGB >> 8).astype(np.uint8)
OTHER = RNG.integers(0, 65535, (131, 173, 3), dtype=np.uint16)


def bracket(folder, pixels, suffix=".tif", **options):
    """Write `pixels` twice and open the pair."""
    paths = [folder / f"{i}{suffix}" for i in range(2)]
    for path in paths:
        tifffile.imwrite(path, pixels, **options)
    return FileSource(paths)


def check(source, expected):
    pixels = source.read(1)
    np.testing.assert_array_equal(pixels, expected)
    assert pixels.dtype == expected.dtype
    assert pixels.flags.c_contiguous
    assert pixels.dtype.isnative
    info = source.infos[1]
    assert (info.height, info.width) == expected.shape[:2]
    assert info.n_channels == (3 if expected.ndim == 3 else 1)
    assert info.bit_depth == 8 * expected.itemsize


@pytest.mark.parametrize("layout", [{}, {"rowsperstrip": 16}, {"tile": (64, 48)}])
@pytest.mark.parametrize(
    "packing",
    [
        {},
        {"compression": "lzw", "predictor": True},
        {"compression": "lzw"},
        {"compression": "zlib", "predictor": True},
        {"compression": "zlib"},
        {"compression": "zstd", "predictor": True},
        {"compression": "jpegxl"},
    ],
    ids=lambda p: "-".join(map(str, p.values())) or "none",
)
def test_tiff_compressions_and_layouts(tmp_path, layout, packing):
    check(bracket(tmp_path, RGB, photometric="rgb", **layout, **packing), RGB)


@pytest.mark.parametrize("pixels", [GREY, RGB8, RGB8[:, :, 1]], ids=["16", "rgb8", "8"])
def test_tiff_depths_and_channels(tmp_path, pixels):
    photometric = "rgb" if pixels.ndim == 3 else "minisblack"
    check(bracket(tmp_path, pixels, photometric=photometric), pixels)


@pytest.mark.parametrize("packing", [{}, {"compression": "zlib", "rowsperstrip": 16}])
def test_tiff_planar(tmp_path, packing):
    planes = np.ascontiguousarray(np.moveaxis(RGB, -1, 0))
    source = bracket(
        tmp_path, planes, photometric="rgb", planarconfig="separate", **packing
    )
    check(source, RGB)


@pytest.mark.parametrize("packing", [{}, {"compression": "zlib", "predictor": True}])
@pytest.mark.parametrize("bigtiff", [False, True])
def test_tiff_big_endian_and_bigtiff(tmp_path, packing, bigtiff):
    source = bracket(
        tmp_path, RGB, photometric="rgb", byteorder=">", bigtiff=bigtiff, **packing
    )
    check(source, RGB)


def test_tiff_white_is_zero(tmp_path):
    check(bracket(tmp_path, GREY, photometric="miniswhite"), 65535 - GREY)


def test_alpha_is_dropped_and_said(tmp_path):
    rgba = np.dstack([RGB, GREY])
    source = bracket(tmp_path, rgba, photometric="rgb", extrasamples=["unassalpha"])
    check(source, RGB)
    assert source.infos[0].notes == ("alpha channel ignored",)


def test_grey_with_alpha(tmp_path):
    source = bracket(
        tmp_path,
        RGB[:, :, :2].copy(),
        photometric="minisblack",
        planarconfig="contig",
        extrasamples=["unassalpha"],
    )
    check(source, GREY)


def test_further_pages_are_not_used_and_said(tmp_path):
    paths = [tmp_path / f"{i}.tif" for i in range(2)]
    for path in paths:
        with tifffile.TiffWriter(path) as tif:
            tif.write(RGB8[::8, ::8], photometric="rgb", subfiletype=1)
            tif.write(RGB, photometric="rgb")
            tif.write(OTHER, photometric="rgb")
    source = FileSource(paths)
    check(source, RGB)
    assert "only page 2 of 2 used" in source.infos[0].notes


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("pixels", [RGB8, RGB8[:, :, 0]], ids=["rgb", "grey"])
def test_orientation_is_applied_as_pillow_does(tmp_path, orientation, pixels):
    photometric = "rgb" if pixels.ndim == 3 else "minisblack"
    tags = [(274, 3, 1, orientation, True)]
    # Packed: Pillow maps plain grey files into memory and then forgets to turn them.
    source = bracket(
        tmp_path, pixels, photometric=photometric, extratags=tags, compression="zlib"
    )
    with Image.open(tmp_path / "0.tif") as image:
        expected = np.asarray(ImageOps.exif_transpose(image))
    check(source, expected)


def test_orientation_of_16_bit_frames_changes_the_declared_size(tmp_path):
    source = bracket(tmp_path, RGB, photometric="rgb", extratags=[(274, 3, 1, 6, True)])
    check(source, np.rot90(RGB, -1))
    assert (source.infos[0].height, source.infos[0].width) == (173, 131)


@pytest.mark.parametrize(
    ("pixels", "expected", "notes"),
    [
        (RGB, RGB, ()),
        (RGB8, RGB8, ()),
        (GREY, GREY, ()),
        (np.dstack([RGB, GREY]), RGB, ("alpha channel ignored",)),
        (RGB[:, :, :2].copy(), GREY, ("alpha channel ignored",)),
    ],
    ids=["rgb16", "rgb8", "grey16", "rgba16", "grey-alpha16"],
)
def test_png(tmp_path, pixels, expected, notes):
    paths = [tmp_path / f"{i}.png" for i in range(2)]
    for path in paths:
        path.write_bytes(imagecodecs.png_encode(pixels, level=1))
    source = FileSource(paths)
    check(source, expected)
    assert source.infos[0].notes == notes


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_jpeg_is_upright_as_pillow_has_it(tmp_path, mode, progressive):
    smooth = np.asarray(Image.fromarray(RGB8[::16, ::16]).resize((173, 131)))
    exif = Image.Exif()
    exif[274] = 6
    paths = [tmp_path / f"{i}.jpg" for i in range(2)]
    for path in paths:
        Image.fromarray(smooth).convert(mode).save(
            path, quality=92, exif=exif, progressive=progressive
        )
    source = FileSource(paths)
    with Image.open(paths[0]) as image:
        expected = np.asarray(ImageOps.exif_transpose(image))
    # Both are libjpeg: the same bytes out, but for a rounding of the inverse transform.
    np.testing.assert_allclose(source.read(0), expected, atol=1)
    assert (source.infos[0].height, source.infos[0].width) == (173, 131)


def test_content_decides_not_the_suffix(tmp_path):
    paths = [tmp_path / f"{i}.tif" for i in range(2)]
    for path in paths:
        path.write_bytes(imagecodecs.png_encode(RGB))
    check(FileSource(paths), RGB)


@pytest.mark.parametrize("shape", [(1, 37), (37, 1), (7, 13), (4001, 3)])
def test_odd_and_extreme_sizes(tmp_path, shape):
    pixels = RNG.integers(1, 65535, shape, dtype=np.uint16)
    check(bracket(tmp_path, pixels, photometric="minisblack"), pixels)


def test_capture_data_comes_from_the_header(tmp_path):
    exif = Image.Exif()
    details = exif.get_ifd(34665)
    details[33434], details[33437], details[34855] = 0.008, 8.0, 100
    details[37386], details[37382] = 120.0, 0.4235
    details[36867], details[37521] = "2026:05:01 10:11:12", "345"
    details[36881] = "+02:00"
    paths = [tmp_path / f"{i}.jpg" for i in range(2)]
    for path in paths:
        Image.fromarray(RGB8).save(path, exif=exif)
    info = FileSource(paths).infos[0]
    assert info.name == str(paths[0])
    assert info.exposure_s == pytest.approx(0.008)
    assert (info.f_number, info.iso, info.focal_length_mm) == (8.0, 100, 120.0)
    assert info.focus_distance_mm == pytest.approx(423.5)
    zone = timezone(timedelta(hours=2))
    assert info.captured == datetime(2026, 5, 1, 10, 11, 12, 345_000, zone)


def test_nothing_is_decoded_to_tell_sizes(tmp_path):
    # The strips are garbage: only decoding could notice.
    source_paths = [tmp_path / f"{i}.tif" for i in range(2)]
    for path in source_paths:
        tifffile.imwrite(path, RGB, photometric="rgb", compression="zlib")
        data = bytearray(path.read_bytes())
        data[-2000:] = b"\x55" * 2000
        path.write_bytes(data)
    source = FileSource(source_paths)
    assert source.infos[0].width == 173
    with pytest.raises(FrameReadError, match=r"0\.tif: damaged"):
        source.read(0)


def test_one_frame_is_refused(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", RGB, photometric="rgb")
    with pytest.raises(BracketError, match="at least two frames"):
        FileSource([tmp_path / "a.tif"])


@pytest.mark.parametrize(
    ("pixels", "options", "words"),
    [
        (RGB[:130], {}, ("173 x 130 pixels", "173 x 131 pixels")),
        (RGB8, {}, ("8 bit", "16 bit")),
        (GREY, {"photometric": "minisblack"}, ("grey", "RGB")),
        (
            RGB,
            {"iccprofile": imagecodecs.cms_profile("adobergb")},
            ("Adobe RGB", "no colour profile"),
        ),
    ],
    ids=["size", "depth", "channels", "profile"],
)
def test_frames_that_differ_are_named_with_their_values(
    tmp_path, pixels, options, words
):
    one, two, three = (tmp_path / f"{n}.tif" for n in ("one", "two", "three"))
    for path in (one, two):
        tifffile.imwrite(path, RGB, photometric="rgb")
    tifffile.imwrite(three, pixels, **({"photometric": "rgb"} | options))
    with pytest.raises(BracketError) as caught:
        FileSource([one, two, three])
    message = str(caught.value)
    assert caught.value.names == (str(one), str(three))
    assert "\n" not in message
    for word in (*words, str(one), str(three)):
        assert word in message


def test_profiles_that_share_a_name_still_differ(tmp_path):
    profile = imagecodecs.cms_profile("adobergb")
    other = bytearray(profile)
    other[-1] ^= 1
    for name, icc in (("a", profile), ("b", bytes(other))):
        tifffile.imwrite(
            tmp_path / f"{name}.tif", RGB, photometric="rgb", iccprofile=icc
        )
    with pytest.raises(BracketError, match='another colour profile "Adobe RGB'):
        FileSource([tmp_path / "a.tif", tmp_path / "b.tif"])


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg"])
def test_declared_size_beyond_the_limit(tmp_path, suffix):
    path = tmp_path / f"a{suffix}"
    Image.fromarray(RGB8).save(path)
    limit = ReadSettings(max_pixels=131 * 173 - 1)
    with pytest.raises(FrameReadError, match="173 x 131 pixels, more than the limit"):
        FileSource([path, path], limit)
    FileSource([path, path], ReadSettings(max_pixels=131 * 173))


def test_a_bomb_is_refused_before_memory_is_asked_for(tmp_path):
    path = tmp_path / "bomb.tif"
    tifffile.imwrite(path, RGB8, photometric="rgb", compression="zlib")
    with tifffile.TiffFile(path, mode="r+") as tif:
        page = tif.pages.first
        for code in (256, 257):
            page.tags[code].overwrite(2**31 - 1, dtype="I")
    with pytest.raises(FrameReadError, match="more than the limit"):
        FileSource([path, path])


def test_adobe_rgb_without_its_profile_is_said(tmp_path):
    exif = Image.Exif()
    exif.get_ifd(34665)[40965] = {1: "R03"}
    path = tmp_path / "a.jpg"
    Image.fromarray(RGB8).save(path, exif=exif)
    assert "EXIF says Adobe RGB" in FileSource([path, path]).infos[0].notes[0]


def test_importing_the_room_costs_nothing():
    code = "import sys, stacker.files; print({'numpy', 'tifffile'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    assert done.stdout.strip() == b"set()"
