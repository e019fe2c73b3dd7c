"""Camera files made here: DNG mosaics, and frames full of metadata.

The DNG files hold a Bayer mosaic with black and white level, a colour matrix that makes
the camera's colours those of linear sRGB, and an as-shot neutral (Adobe Digital Negative
specification 1.4).
"""

import json
import shutil
import subprocess
from functools import cache

import imagecodecs
import numpy as np
import pytest
import tifffile

from stacker.files import transfer_table
from tests.shots import SAMPLE

BLACK, WHITE = 512, 16383
NEUTRAL = (0.5, 1.0, 0.625)
# XYZ (D65) to linear sRGB (IEC 61966-2-1): the camera's own colours are sRGB's then.
TO_CAMERA = [
    [3.2406, -1.5372, -0.4986],
    [-0.9689, 1.8758, 0.0415],
    [0.0557, -0.2040, 1.0570],
]
ADOBE_RGB = bytes(imagecodecs.cms_profile("adobergb"))

exiftool = pytest.mark.skipif(
    shutil.which("exiftool") is None,
    reason="exiftool is not installed (Debian: libimage-exiftool-perl)",
)


def write_dng(path, samples, *, neutral=NEUTRAL, orientation=1, more=()):
    matrix = [n for row in TO_CAMERA for v in row for n in (round(v * 10_000), 10_000)]
    as_shot = [n for v in neutral for n in (round(v * 1000), 1000)]
    tags = [
        (271, 2, 0, "Maker", True),
        (272, 2, 0, "Model", True),
        (274, 3, 1, orientation, True),
        (33421, 3, 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),  # CFAPattern: RGGB
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),  # DNGVersion
        (50707, 1, 4, bytes([1, 1, 0, 0]), True),  # DNGBackwardVersion
        (50708, 2, 0, "Maker Model", True),  # UniqueCameraModel
        (50714, 3, 1, BLACK, True),  # BlackLevel
        (50717, 4, 1, WHITE, True),  # WhiteLevel
        (50721, 10, 9, tuple(matrix), True),  # ColorMatrix1
        (50728, 5, 3, tuple(as_shot), True),  # AsShotNeutral
        (50778, 3, 1, 21, True),  # CalibrationIlluminant1: D65
        *more,
    ]
    tifffile.imwrite(
        path,
        samples,
        photometric="cfa",
        metadata=None,
        software=False,
        rowsperstrip=8,
        extratags=tags,
    )
    return path


@cache
def picture(k, row=100, column=150, height=160, width=260):
    """Part of frame `k` (1..9) of the sample, sRGB, 16 bit, and its profile."""
    with tifffile.TiffFile(SAMPLE / f"spice_shelf_0{k}.tif") as tif:
        profile = tif.pages.first.tags[34675].value
        pixels = tif.asarray()[row : row + height, column : column + width]
        return pixels, profile


def light(k, *part):
    """The same in linear light, 0..1."""
    pixels, profile = picture(k, *part)
    table = transfer_table(profile, 3).table
    return np.stack([table[c][pixels[..., c]] for c in range(3)], axis=2)


def as_mosaic(linear):
    """RGGB samples that a sensor gives of linear sRGB light."""
    seen = linear * np.array(NEUTRAL)
    samples = np.empty(linear.shape[:2])
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        samples[row::2, column::2] = seen[row::2, column::2, channel]
    return np.rint(BLACK + samples * (WHITE - BLACK)).astype(np.uint16)


def as_adobe_rgb(k):
    """Frame `k` with the profile of another party."""
    pixels, profile = picture(k)
    return imagecodecs.cms_transform(
        pixels, profile, ADOBE_RGB, colorspace="rgb", outcolorspace="rgb"
    )


# What a photographer's files say, in ExifTool's words.
SAID = {
    "IFD0:Make": "Maker",
    "IFD0:Model": "Model Ö",
    "IFD0:Artist": "Zoë Ångström",
    "IFD0:Copyright": "© 2026 Zoë Ångström",
    "IFD0:ImageDescription": "Töpfe auf dem Regal",
    "ExifIFD:LensModel": "Macro 120",
    "ExifIFD:SerialNumber": "0042",
    "ExifIFD:DateTimeOriginal": "2026:05:01 10:11:12",
    "ExifIFD:OffsetTimeOriginal": "+02:00",
    "ExifIFD:SubSecTimeOriginal": 345,
    "ExifIFD:ExposureTime": 0.008,
    "ExifIFD:FNumber": 8,
    "ExifIFD:ISO": 64,
    "ExifIFD:FocalLength": 120,
    "ExifIFD:SubjectDistance": 0.7,
    "ExifIFD:Flash": 9,
    "ExifIFD:UserComment": "Regal 3",
    "GPS:GPSLatitudeRef": "N",
    "GPS:GPSLatitude": 48.2,
    "GPS:GPSLongitudeRef": "E",
    "GPS:GPSLongitude": 16.3,
    "GPS:GPSAltitude": 171.5,
    "XMP-dc:Title": "Töpfe & Gewürze",
    "XMP-dc:Creator": ["Zoë Ångström"],
    "XMP-dc:Rights": "© 2026 Zoë Ångström",
    "XMP-dc:Subject": ["Gewürz", "Regal"],
    "XMP-xmpRights:UsageTerms": "einmalig",
    "XMP-photoshop:Credit": "Studio Å",
    "XMP-xmp:Rating": 4,
    "IPTC:By-line": "Zoë Ångström",
    "IPTC:CopyrightNotice": "© 2026 Zoë Ångström",
    "IPTC:Caption-Abstract": "Töpfe auf dem Regal",
    "IPTC:Keywords": ["Gewürz", "Regal"],
}


def say(paths, *more):
    """Have ExifTool write it all into files; distances grow by frame."""
    words = [f"-{key}={v}" for key, value in SAID.items() for v in _list(value)]
    for k, path in enumerate(paths):
        subprocess.run(
            [
                *("exiftool", "-q", "-q", "-n", "-overwrite_original"),
                *("-charset", "iptc=UTF8", "-IPTC:CodedCharacterSet=UTF8"),
                *words,
                f"-ExifIFD:SubjectDistance={0.7 + 0.02 * k}",
                *more,
                str(path),
            ],
            check=True,
        )


def _list(value):
    return value if isinstance(value, list) else [value]


def seen_by_exiftool(path):
    """All that ExifTool sees, by group and name."""
    answer = subprocess.run(
        ["exiftool", "-j", "-G1", "-n", "-struct", str(path)],  # noqa: S607
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    (seen,) = json.loads(answer.stdout)
    return seen
