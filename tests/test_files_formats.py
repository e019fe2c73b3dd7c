"""Masters in PNG and JPEG XL: exact pixels, the same metadata, the right colours."""

import json
import shutil
import struct
import subprocess
from dataclasses import replace
from datetime import UTC, datetime

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from stacker.errors import InputError, OutputError
from stacker.files import Merge, Metadata, Results, read_metadata
from stacker.files.colour import is_srgb
from stacker.files.ifd import Entry, ascii_entry
from stacker.files.segments import jpegxl_size, mark_jpegxl_srgb
from stacker.settings import OutputSettings

RNG = np.random.default_rng(23)
RGB = RNG.integers(0, 65535, (31, 53, 3), dtype=np.uint16)
ADOBE = imagecodecs.cms_profile("adobergb")
SRGB = imagecodecs.cms_profile("srgb")
MERGE = Merge(
    frames=("a.tif", "b.tif"),
    software="stacker 0.0",
    settings_digest="0123abcd",
    when=datetime(2026, 5, 2, 8, 30, tzinfo=UTC),
)
METADATA = Metadata(
    icc_profile=ADOBE,
    main=(
        ascii_entry(315, "Zoë Ångström"),
        Entry(282, 5, 1, struct.pack("<II", 300, 1)),
        Entry(283, 5, 1, struct.pack("<II", 300, 1)),
        Entry(296, 3, 1, struct.pack("<H", 2)),
    ),
    exif=(Entry(33437, 5, 1, struct.pack("<II", 8, 1)),),
    interop=(ascii_entry(1, "R03"),),
    gps=(ascii_entry(1, "N"),),
    orientation=8,
)

exiftool = pytest.mark.skipif(
    shutil.which("exiftool") is None,
    reason="exiftool is not installed (Debian: libimage-exiftool-perl)",
)
jxlinfo = pytest.mark.skipif(
    shutil.which("jxlinfo") is None,
    reason="jxlinfo is not installed (Debian: libjxl-tools)",
)


def write_master(path, metadata, *, bits=16, picture=RGB):
    with Results(path, settings=OutputSettings(bits=bits)) as results:
        results.write_master(picture, metadata, MERGE)
        results.commit()
    return path


def output_of(*command):
    return subprocess.run(
        [str(c) for c in command], capture_output=True, encoding="utf-8", check=True
    ).stdout


@pytest.mark.parametrize("picture", [RGB, RGB[:, :, 0].copy()], ids=["rgb", "grey"])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("suffix", [".png", ".jxl"])
def test_pixels_are_exact(tmp_path, suffix, bits, picture):
    path = tmp_path / f"m{suffix}"
    write_master(path, replace(METADATA, icc_profile=None), bits=bits, picture=picture)
    decode = imagecodecs.png_decode if suffix == ".png" else imagecodecs.jpegxl_decode
    expected = picture if bits == 16 else np.rint(picture / 257.0).astype(np.uint8)
    np.testing.assert_array_equal(decode(path.read_bytes()), expected)


def test_noise_does_not_bring_the_encoder_down(tmp_path):
    # Effort 1 of the encoder overruns its buffer on such pixels.
    noise = RNG.integers(0, 65535, (131, 173, 3), dtype=np.uint16)
    path = write_master(tmp_path / "m.jxl", Metadata(), picture=noise)
    np.testing.assert_array_equal(imagecodecs.jpegxl_decode(path.read_bytes()), noise)


def test_png_carries_everything_but_iptc(tmp_path):
    path = write_master(tmp_path / "m.png", METADATA)
    found = read_metadata(path)
    assert found.icc_profile == ADOBE
    assert found.orientation == 1
    assert found.gps == METADATA.gps
    assert found.interop == METADATA.interop
    assert b"0123abcd" in (found.xmp or b"")
    with Image.open(path) as image:
        assert image.info["icc_profile"] == ADOBE
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)
        assert image.getexif()[274] == 1


@exiftool
@pytest.mark.parametrize("suffix", [".png", ".jxl"])
def test_exiftool_reads_the_master(tmp_path, suffix):
    profile = ADOBE if suffix == ".png" else SRGB
    metadata = replace(METADATA, icc_profile=profile)
    path = write_master(tmp_path / f"m{suffix}", metadata)
    (seen,) = json.loads(output_of("exiftool", "-j", "-G1", "-n", path))
    assert seen["IFD0:Artist"] == "Zoë Ångström"
    assert seen["IFD0:Orientation"] == 1
    assert seen["ExifIFD:FNumber"] == 8
    assert seen["ExifIFD:ExifImageWidth"] == 53
    assert seen["GPS:GPSLatitudeRef"] == "N"
    assert seen["XMP-xmpMM:HistorySoftwareAgent"] == "stacker 0.0"
    assert not [k for k in seen if k.endswith((":Warning", ":Error"))]


@jxlinfo
@pytest.mark.parametrize("picture", [RGB, RGB[:, :, 0].copy()], ids=["rgb", "grey"])
@pytest.mark.parametrize("bits", [8, 16])
def test_a_jpegxl_says_that_it_is_srgb(tmp_path, bits, picture):
    path = write_master(tmp_path / "m.jxl", Metadata(), bits=bits, picture=picture)
    answer = output_of("jxlinfo", path)
    assert "sRGB transfer function" in answer
    assert f"{bits}-bit" in answer
    assert "53x31" in answer


def test_marking_srgb_changes_nothing_else():
    packed = imagecodecs.jpegxl_encode(RGB, lossless=True, effort=3)
    marked = bytearray(packed)
    mark_jpegxl_srgb(marked)
    assert len(marked) == len(packed)
    assert jpegxl_size(bytes(marked)) == (31, 53)
    different = [a ^ b for a, b in zip(packed, marked, strict=True) if a != b]
    # Linear is 8 and sRGB is 13, both less 2 in four bits: three of them differ.
    assert sum(d.bit_count() for d in different) == 3
    again = bytearray(marked)
    mark_jpegxl_srgb(again)
    assert again == marked
    np.testing.assert_array_equal(imagecodecs.jpegxl_decode(bytes(marked)), RGB)


def test_a_jpegxl_of_another_kind_is_not_marked():
    lossy = bytearray(imagecodecs.jpegxl_encode(RGB, distance=1.0))
    with pytest.raises(InputError, match="another kind"):
        mark_jpegxl_srgb(lossy)


def test_other_colours_than_srgb_are_refused_for_jpegxl_before_the_work(tmp_path):
    frame = tmp_path / "a.tif"
    tifffile.imwrite(frame, RGB, photometric="rgb", iccprofile=ADOBE)
    with pytest.raises(OutputError, match=r'"Adobe RGB .* choose \.tif or \.png'):
        Results(tmp_path / "m.jxl", inputs=[frame])
    with Results(tmp_path / "m.png", inputs=[frame]):
        pass
    with pytest.raises(OutputError, match="Adobe RGB"):
        write_master(tmp_path / "m.jxl", METADATA)
    assert [p.name for p in tmp_path.iterdir()] == ["a.tif"]


def test_srgb_is_known_by_its_numbers():
    littlecms = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert is_srgb(SRGB)
    assert is_srgb(littlecms)
    assert not is_srgb(ADOBE)
    # The curve of sRGB with the primaries of Adobe RGB (CIE xy as published in 1998).
    primaries = [0.64, 0.33, 0.21, 0.71, 0.15, 0.06]
    wide = imagecodecs.cms_profile(
        "rgb",
        whitepoint=[0.3127, 0.329, 1.0],
        primaries=primaries,
        gamma=1.0,
    )
    assert not is_srgb(wide)
    assert not is_srgb(b"")


def test_other_suffixes_are_refused(tmp_path):
    with pytest.raises(OutputError, match=r"must end in .* or \.jxl"):
        Results(tmp_path / "m.jpg")
