"""Focus distances that only ExifTool can read, and life without it."""

import json
import shutil
import sys

import numpy as np
import pytest
import tifffile

from stacker.files import FileSource
from stacker.files.makernotes import focus_distances_mm

RNG = np.random.default_rng(31)
XMP = b"""<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF
 xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""
 xmlns:aux="http://ns.adobe.com/exif/1.0/aux/" aux:ApproximateFocusDistance="423/1000"/>
</rdf:RDF></x:xmpmeta>"""


def write_frame(path, *, xmp=b""):
    pixels = RNG.integers(0, 65535, (7, 13), dtype=np.uint16)
    tags = [(700, 1, len(xmp), xmp, True)] if xmp else []
    tifffile.imwrite(path, pixels, photometric="minisblack", extratags=tags)
    return path


@pytest.fixture
def fake(tmp_path, monkeypatch):
    """Put a program named exiftool on PATH that gives a prepared answer."""
    if sys.platform == "win32":
        pytest.skip("needs a shell script")
    folder = tmp_path / "bin"
    folder.mkdir()
    program = folder / "exiftool"

    def answer_with(text):
        (folder / "answer").write_text(text)
        program.write_text(
            f'#!/bin/sh\ncat > "{folder}/asked"\ncat "{folder}/answer"\n'
        )
        program.chmod(0o755)
        monkeypatch.setenv("PATH", str(folder), prepend=":")
        return folder / "asked"

    return answer_with


@pytest.mark.parametrize(
    ("tags", "expected"),
    [
        ({"FocusDistance": 0.5}, 500.0),
        ({"FocusDistanceLower": 0.4, "FocusDistanceUpper": 0.5}, 450.0),
        ({"FocusDistanceUpper": 0.5}, None),
        ({"FocusDistance": "inf", "ApproximateFocusDistance": 0.3}, 300.0),
        ({"FocusDistance": 4294967295}, None),
        ({"FocusDistance": 0}, None),
        ({}, None),
    ],
)
def test_distances_are_told_in_millimetres(fake, tmp_path, tags, expected):
    path = tmp_path / "a.nef"
    fake(json.dumps([{"SourceFile": str(path)} | tags]))
    (found,) = focus_distances_mm([path])
    assert found == (expected if expected is None else pytest.approx(expected))


def test_answers_find_their_files_by_name(fake, tmp_path):
    paths = [tmp_path / f"{n}.nef" for n in "abc"]
    asked = fake(
        json.dumps(
            [
                {"SourceFile": str(paths[2]), "FocusDistance": 0.3},
                {"SourceFile": str(paths[0]), "FocusDistance": 0.1},
            ]
        )
    )
    assert focus_distances_mm(paths) == pytest.approx([100.0, None, 300.0])
    assert str(paths[1]) in asked.read_text().splitlines()


@pytest.mark.parametrize("answer", ["", "no json", "[]", "{}", "[1]"])
def test_a_program_that_fails_is_no_failure(fake, tmp_path, answer):
    fake(answer)
    assert focus_distances_mm([tmp_path / "a.nef"]) == [None]


def test_a_name_with_a_line_break_is_not_passed_on(fake, tmp_path):
    asked = fake("[]")
    assert focus_distances_mm([tmp_path / "a\n-o\nb.nef"]) == [None]
    assert not asked.exists()


def test_without_the_program(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert focus_distances_mm([tmp_path / "a.nef"]) == [None]


def test_plain_frames_do_not_ask(fake, tmp_path):
    asked = fake("[]")
    FileSource([write_frame(tmp_path / f"{i}.tif") for i in range(2)])
    assert not asked.exists()


@pytest.mark.skipif(
    shutil.which("exiftool") is None,
    reason="exiftool is not installed (Debian: libimage-exiftool-perl)",
)
def test_the_real_program(tmp_path):
    paths = [write_frame(tmp_path / f"{i} é.tif", xmp=XMP) for i in range(2)]
    source = FileSource(paths)
    assert source.infos[1].focus_distance_mm == pytest.approx(423.0)
