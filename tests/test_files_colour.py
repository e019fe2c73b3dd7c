"""Tone curves against published values, and previews against another colour engine."""

import struct
from io import BytesIO

import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageCms

from stacker.files import to_srgb8, transfer_table
from stacker.files.colour import profile_name, srgb_to_linear

RNG = np.random.default_rng(11)
RGB = RNG.integers(0, 65535, (31, 53, 3), dtype=np.uint16)
CODES = np.arange(65536) / 65535


def profile_with(curve, *, space=b"RGB ", names=(b"rTRC", b"gTRC", b"bTRC")):
    """A profile of nothing but tone curves, laid out as ICC.1:2022 section 7 says."""
    description = b"desc" + bytes(4) + struct.pack(">I", 5) + b"test\0"
    tags = [(b"desc", description), *((n, curve) for n in names)]
    at = 128 + 4 + 12 * len(tags)
    table, data = struct.pack(">I", len(tags)), b""
    for name, value in tags:
        table += struct.pack(">4sII", name, at + len(data), len(value))
        data += value
    head = bytearray(128)
    head[16:20], head[36:40] = space, b"acsp"
    return bytes(head) + table + data


def curv(*values):
    return b"curv" + bytes(4) + struct.pack(f">I{len(values)}H", len(values), *values)


def para(function, *parameters):
    fixed = [round(p * 65536) for p in parameters]
    head = b"para" + bytes(4) + struct.pack(">HH", function, 0)
    return head + struct.pack(f">{len(fixed)}i", *fixed)


def test_srgb_at_published_points():
    # IEC 61966-2-1: 0.04045 is where both parts meet, at 0.0031308; 8-bit 188 is the
    # half-light level that the standard's inverse gives (computed from its equations).
    assert srgb_to_linear(0.04045) == pytest.approx(0.0031308, abs=1e-7)
    assert srgb_to_linear(188 / 255) == pytest.approx(0.5029, abs=1e-4)
    assert srgb_to_linear([0.0, 1.0]).tolist() == [0.0, 1.0]


def test_no_profile_is_taken_as_srgb_and_said():
    transfer = transfer_table(None, 3)
    assert transfer.table.shape == (3, 65536)
    assert transfer.table.dtype == np.float32
    assert transfer.is_linearised
    assert "sRGB assumed" in transfer.note
    np.testing.assert_allclose(transfer.table[1], srgb_to_linear(CODES), atol=1e-7)


def test_srgb_profile_gives_the_standard_curve():
    transfer = transfer_table(imagecodecs.cms_profile("srgb"), 3)
    # 1e-5: a profile's parameters are rounded to 1/65536.
    np.testing.assert_allclose(transfer.table[0], srgb_to_linear(CODES), atol=1e-5)
    assert (transfer.note, transfer.is_linearised) == ("", True)
    assert "sRGB" in transfer.name


def test_adobe_rgb_profile_has_its_published_gamma():
    # Adobe RGB (1998) Color Image Encoding, 4.3.4.2: 2 51/256 = 2.19921875.
    transfer = transfer_table(imagecodecs.cms_profile("adobergb"), 3)
    np.testing.assert_allclose(transfer.table[2], CODES**2.19921875, atol=1e-6)


@pytest.mark.parametrize(
    ("curve", "expected"),
    [
        (curv(), CODES),
        (curv(0x0233), CODES ** (0x0233 / 256)),
        (curv(0, 16384, 65535), np.interp(CODES, [0, 0.5, 1], [0, 16384 / 65535, 1])),
        (para(0, 2.5), CODES**2.5),
        (
            para(1, 2.0, 1.25, -0.25),
            np.where(CODES >= 0.2, np.maximum(1.25 * CODES - 0.25, 0) ** 2, 0),
        ),
        (
            para(2, 2.0, 1.0, -0.25, 0.125),
            np.where(CODES >= 0.25, np.maximum(CODES - 0.25, 0) ** 2 + 0.125, 0.125),
        ),
        (
            para(3, 3.0, 0.75, 0.25, 0.125, 0.25),
            np.where(CODES >= 0.25, (0.75 * CODES + 0.25) ** 3, 0.125 * CODES),
        ),
        (
            para(4, 3.0, 0.75, 0.25, 0.125, 0.25, -0.0625, 0.03125),
            np.where(
                CODES >= 0.25,
                (0.75 * CODES + 0.25) ** 3 - 0.0625,
                0.125 * CODES + 0.03125,
            ),
        ),
    ],
    ids=["identity", "gamma", "samples", "para0", "para1", "para2", "para3", "para4"],
)
def test_every_kind_of_curve(curve, expected):
    transfer = transfer_table(profile_with(curve), 3)
    np.testing.assert_allclose(transfer.table[0], expected.clip(0, 1), atol=2e-6)
    assert transfer.name == "test"


def test_each_channel_has_its_own_curve():
    profile = profile_with(curv(0x0180))
    green = profile_with(curv(0x0200))
    at = profile.index(b"gTRC") + 4
    # Point the green tag at a longer, appended curve.
    data = bytearray(profile) + green[-14:]
    data[at : at + 8] = struct.pack(">II", len(profile), 14)
    table = transfer_table(bytes(data), 3).table
    np.testing.assert_allclose(table[0], CODES**1.5, atol=1e-6)
    np.testing.assert_allclose(table[1], CODES**2.0, atol=1e-6)


def test_grey_profiles_and_mixtures():
    grey = profile_with(curv(0x0200), space=b"GRAY", names=(b"kTRC",))
    assert transfer_table(grey, 1).table.shape == (1, 65536)
    np.testing.assert_allclose(transfer_table(grey, 1).table[0], CODES**2, atol=1e-6)
    on_colour = transfer_table(grey, 3)
    assert on_colour.table.shape == (3, 65536)
    assert "grey profile" in on_colour.note
    on_grey = transfer_table(imagecodecs.cms_profile("adobergb"), 1)
    assert on_grey.table.shape == (1, 65536)
    assert "green curve" in on_grey.note


@pytest.mark.parametrize(
    ("profile", "words"),
    [
        (profile_with(b"", names=(b"A2B0",)), "tables instead of tone curves"),
        (profile_with(curv(0x0200), space=b"CMYK"), "another kind of colour"),
        (profile_with(b"xxxx" + bytes(20)), "cannot be read"),
        (profile_with(curv(0x0200))[:200], "cannot be read"),
        (b"not a profile", "cannot be read"),
        (b"", "cannot be read"),
    ],
    ids=["lut", "cmyk", "unknown", "cut", "text", "empty"],
)
def test_profiles_without_curves_are_used_as_encoded_and_said(profile, words):
    transfer = transfer_table(profile, 3)
    assert not transfer.is_linearised
    assert words in transfer.note
    assert "as encoded" in transfer.note
    np.testing.assert_allclose(transfer.table[0], CODES, atol=1e-7)


@pytest.mark.parametrize("name", ["srgb", "adobergb"])
def test_a_curve_and_back_is_the_same_code(name):
    table = transfer_table(imagecodecs.cms_profile(name), 3).table[0].astype(float)
    assert (np.diff(table) >= 0).all()
    codes = np.interp(table, table, np.arange(65536.0))
    # float32 light cannot tell the darkest codes of a power curve apart.
    np.testing.assert_allclose(codes[256:], np.arange(256, 65536), atol=0.5)


def test_profile_name_of_both_versions():
    assert "Adobe RGB" in profile_name(imagecodecs.cms_profile("adobergb"))
    assert profile_name(profile_with(curv())) == "test"
    assert profile_name(b"") == "unnamed"


def test_preview_of_adobe_rgb_agrees_with_pillow():
    profile = imagecodecs.cms_profile("adobergb")
    eight = (RGB >> 8).astype(np.uint8)
    ours = to_srgb8(eight, profile)
    theirs = ImageCms.profileToProfile(
        Image.fromarray(eight),
        ImageCms.ImageCmsProfile(BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
    )
    # Two builds of one engine: they may round apart by one level.
    np.testing.assert_allclose(ours.astype(int), np.asarray(theirs, int), atol=1)
    assert np.abs(ours.astype(int) - eight).max() > 20


def test_preview_without_profile_only_drops_bits():
    eight = (RGB >> 8).astype(np.uint8)
    np.testing.assert_array_equal(to_srgb8(eight, None), eight)
    np.testing.assert_array_equal(to_srgb8(eight.astype(np.uint16) * 257, None), eight)
    levels = np.array([[0, 128, 129, 65406, 65407, 65535]], dtype=np.uint16)
    assert to_srgb8(levels, None)[0, :, 0].tolist() == [0, 0, 1, 254, 255, 255]


def test_preview_of_srgb_keeps_levels():
    eight = (RGB >> 8).astype(np.uint8)
    ours = to_srgb8(eight.astype(np.uint16) * 257, imagecodecs.cms_profile("srgb"))
    np.testing.assert_allclose(ours.astype(int), eight, atol=1)


def test_preview_of_grey():
    grey = RGB[:, :, 0]
    assert to_srgb8(grey, None).shape == (31, 53, 3)
    profile = imagecodecs.cms_profile("gray", gamma=1.0, whitepoint=(0.3127, 0.329))
    ours = to_srgb8(grey, profile)
    assert ours.shape == (31, 53, 3)
    linear = srgb_to_linear(ours[:, :, 1] / 255.0)
    # Half an 8-bit level of sRGB is at most 0.45 % in light (slope 2.3 at white).
    np.testing.assert_allclose(linear, grey / 65535, atol=0.006)


def test_a_damaged_profile_does_not_cost_the_preview():
    profile = imagecodecs.cms_profile("adobergb")[:300]
    assert to_srgb8(RGB, profile).shape == RGB.shape


# Sharma, Wu & Dalal 2005, "The CIEDE2000 color-difference formula", Color Research &
# Application 30(1), table 1: L, a, b of two colours and their difference. Typed from
# memory; the formula agrees with all of them to the digits given.
SHARMA = """
50 2.6772 -79.7751 50 0 -82.7485 2.0425
50 3.1571 -77.2803 50 0 -82.7485 2.8615
50 2.8361 -74.02 50 0 -82.7485 3.4412
50 -1.3802 -84.2814 50 0 -82.7485 1
50 -1.1848 -84.8006 50 0 -82.7485 1
50 -0.9009 -85.5211 50 0 -82.7485 1
50 0 0 50 -1 2 2.3669
50 -1 2 50 0 0 2.3669
50 2.49 -0.001 50 -2.49 0.0009 7.1792
50 2.49 -0.001 50 -2.49 0.0011 7.2195
50 -0.001 2.49 50 0.0009 -2.49 4.8045
50 -0.001 2.49 50 0.0011 -2.49 4.7461
50 2.5 0 50 0 -2.5 4.3065
50 2.5 0 73 25 -18 27.1492
50 2.5 0 61 -5 29 22.8977
50 2.5 0 56 -27 -3 31.9030
50 2.5 0 58 24 15 19.4535
50 2.5 0 50 3.1736 0.5854 1
50 2.5 0 50 3.2972 0 1
50 2.5 0 50 1.8634 0.5757 1
50 2.5 0 50 3.2592 0.335 1
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.263
61.2901 3.7196 -5.3901 61.4292 2.248 -4.962 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.694 23.0331 14.973 -42.5619 2.0373
36.4612 47.858 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.441 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.135 0.9033 -0.0636 -0.5514 0.9082
"""


def test_the_colour_difference_in_use_is_ciede2000():
    from skimage.color import deltaE_ciede2000

    rows = np.array([line.split() for line in SHARMA.split("\n") if line], dtype=float)
    found = deltaE_ciede2000(rows[:, :3], rows[:, 3:6])
    np.testing.assert_allclose(found, rows[:, 6], atol=5.1e-5)
