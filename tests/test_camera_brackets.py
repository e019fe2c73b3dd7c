"""Whole brackets as cameras and converters leave them, fused; ExifTool looks at both."""

import json
import subprocess

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image

from stacker.cli import main
from stacker.files.profiles import named_profile
from tests.cameras import (
    ADOBE_RGB,
    SAID,
    as_adobe_rgb,
    as_mosaic,
    exiftool,
    light,
    picture,
    say,
    seen_by_exiftool,
    write_dng,
)

FRAMES = (4, 5, 6)
TURNED = 6  # Orientation: the stored rows are the picture's columns


def names(folder, suffix):
    folder.mkdir()
    return [folder / f"Zoë & Töpfe <{k}>{suffix}" for k in FRAMES]


def stored(picture):
    return np.ascontiguousarray(np.rot90(picture))


def dng_bracket(folder):
    pytest.importorskip("rawpy", reason='the extra "raw" is not installed')
    paths = names(folder, ".dng")
    for k, path in zip(FRAMES, paths, strict=True):
        write_dng(path, as_mosaic(stored(light(k))), orientation=TURNED)
    # The camera was set to Adobe RGB, for its own pictures.
    say(paths, "-ExifIFD:ColorSpace=65535", "-InteropIFD:InteropIndex=R03")
    return paths


def tiff_bracket(folder):
    paths = names(folder, ".tif")
    for k, path in zip(FRAMES, paths, strict=True):
        tifffile.imwrite(
            path,
            stored(as_adobe_rgb(k)),
            photometric="rgb",
            metadata=None,
            software=False,
            iccprofile=ADOBE_RGB,
            resolution=(300, 300),
            resolutionunit=2,
            extratags=[(274, 3, 1, TURNED, True)],
        )
    say(paths, "-ExifIFD:ColorSpace=65535", "-InteropIFD:InteropIndex=R03")
    return paths


def jpeg_bracket(folder):
    paths = names(folder, ".jpg")
    small = folder.parent / "small.jpg"
    for k, path in zip(FRAMES, paths, strict=True):
        eight = Image.fromarray((stored(picture(k)[0]) >> 8).astype(np.uint8))
        eight.save(path, quality=97, subsampling=0, icc_profile=picture(k)[1])
        eight.reduce(4).save(small)
    more = ("-IFD0:Orientation=6", "-ExifIFD:ColorSpace=1")
    say(paths, *more, f"-ThumbnailImage<={small}")
    return paths


PROFILES = {
    "dng": named_profile("srgb"),
    "tiff": ADOBE_RGB,
    "jpeg": picture(FRAMES[0])[1],
}
BRACKETS = {"dng": dng_bracket, "tiff": tiff_bracket, "jpeg": jpeg_bracket}


def fuse(tmp_path, kind, *options, output="out.tif"):
    paths = BRACKETS[kind](tmp_path / "shots")
    master = tmp_path / output
    words = ["fuse", str(tmp_path / "shots"), "--output", str(master), *options]
    result = CliRunner().invoke(main, [*words, "--threads", "1"])
    assert result.exit_code == 0, result.output
    return paths, master


def profile_in(path):
    answer = subprocess.run(
        ["exiftool", "-b", "-ICC_Profile", str(path)],  # noqa: S607
        capture_output=True,
        check=True,
    )
    return answer.stdout


def in_depth_order(found, paths):
    return "fused: " + ", ".join(str(p) for p in paths) + "; settings " in found


@exiftool
@pytest.mark.parametrize("kind", BRACKETS)
def test_a_bracket_comes_out_with_everything_in_place(tmp_path, kind):
    paths, master = fuse(tmp_path, kind)
    before, seen = seen_by_exiftool(paths[0]), seen_by_exiftool(master)
    for key, said in SAID.items():
        if key != "ExifIFD:SubjectDistance":
            assert seen.get(key) == said, key
    assert seen["ExifIFD:SubjectDistance"] in (0.7, 0.72, 0.74)  # of the reference
    assert seen["IFD0:Orientation"] == 1
    assert (seen["IFD0:ImageWidth"], seen["IFD0:ImageHeight"]) == (260, 160)
    assert (seen["ExifIFD:ExifImageWidth"], seen["ExifIFD:ExifImageHeight"]) == (
        260,
        160,
    )
    assert seen["IFD0:BitsPerSample"] == "16 16 16"
    assert seen["ExifIFD:ColorSpace"] == (65535 if kind == "tiff" else 1)
    assert ("InteropIFD:InteropIndex" in seen) == (kind == "tiff")
    (event,) = seen["XMP-xmpMM:History"]
    assert event["Action"] == "produced"
    assert event["SoftwareAgent"] == seen["IFD0:Software"]
    assert in_depth_order(event["Parameters"], paths)
    # Nothing else of what a person reads is gone, and no thumbnail is out of date.
    kept = ("XMP-", "IPTC:", "GPS:", "ExifIFD:", "IFD0:")
    gone = {k for k in before if k.startswith(kept)} - seen.keys()
    assert not any(k.startswith(("XMP-", "IPTC:", "GPS:")) for k in gone)
    assert {k for k in gone if k.startswith("ExifIFD:")} <= {
        "ExifIFD:ComponentsConfiguration"
    }
    assert not any("Thumbnail" in k for k in seen)
    # A raw file has no profile, whatever its camera was set to.
    report = master.with_suffix(".report.json").read_text("utf-8")
    assert "no colour profile" not in report
    assert profile_in(master) == PROFILES[kind]
    assert not [k for k in seen if k.endswith((":Warning", ":Error"))]


@exiftool
def test_the_place_is_left_out_and_nothing_else(tmp_path):
    _, master = fuse(tmp_path, "tiff", "--strip-gps")
    seen = seen_by_exiftool(master)
    assert not [k for k in seen if "GPS" in k]
    for key, said in SAID.items():
        if not key.startswith("GPS:") and key != "ExifIFD:SubjectDistance":
            assert seen.get(key) == said, key


def test_a_mosaic_is_fused_like_the_picture_it_was_made_of(tmp_path):
    """Registration and colour: demosaicing takes a little detail, and no more."""
    pytest.importorskip("rawpy", reason='the extra "raw" is not installed')
    part = (40, 60, 320, 480)
    made = {}
    for kind in ("dng", "tif"):
        (tmp_path / kind).mkdir()
        for k in FRAMES:
            path = tmp_path / kind / f"{k}.{kind}"
            pixels, profile = picture(k, *part)
            if kind == "dng":
                write_dng(path, as_mosaic(light(k, *part)))
            else:
                tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=profile)
        words = [
            "fuse",
            str(tmp_path / kind),
            "--output",
            str(tmp_path / f"{kind}.tif"),
        ]
        assert CliRunner().invoke(main, [*words, "--threads", "1"]).exit_code == 0
        report = json.loads((tmp_path / f"{kind}.report.json").read_text("utf-8"))
        made[kind] = tifffile.imread(tmp_path / f"{kind}.tif"), report["frames"]
    means = [picture.mean(axis=(0, 1)) for picture, _ in made.values()]
    np.testing.assert_allclose(means[0], means[1], rtol=2e-3)
    for a, b in zip(made["dng"][1], made["tif"][1], strict=True):
        np.testing.assert_allclose(a["transform"], b["transform"], atol=0.1)


def test_a_bracket_of_raw_files_is_checked(tmp_path):
    """One that does not belong is told; its profile is not known before it is read."""
    pytest.importorskip("rawpy", reason='the extra "raw" is not installed')
    for k in FRAMES:
        write_dng(tmp_path / f"{k}.dng", as_mosaic(light(k)))
    write_dng(tmp_path / "9.dng", as_mosaic(light(6, 0, 0, 80, 100)))
    result = CliRunner().invoke(main, ["check", str(tmp_path), "--json"])
    findings = json.loads(result.stdout)["warnings"]
    (odd,) = (f for f in findings if f["code"].startswith("mixed"))
    assert (odd["code"], odd["frames"]) == ("mixed_size", [3])
