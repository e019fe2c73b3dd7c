"""The sample is what its manifest says: a damaged or foreign file would be found here."""

import hashlib
import json
from pathlib import Path

import pytest

SAMPLE = Path(__file__).parent.parent / "sample_data"
LARGEST_SAMPLE_BYTES = 25_000_000  # a clone stays quick


@pytest.fixture(scope="module")
def manifest():
    return json.loads((SAMPLE / "manifest.json").read_text(encoding="utf-8"))


def test_every_file_has_the_checksum_of_the_manifest(manifest):
    for entry in manifest["files"]:
        data = (SAMPLE / entry["file"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == entry["sha256"], entry["file"]


def test_manifest_names_every_file_its_origin_and_its_licence(manifest):
    listed = {entry["file"] for entry in manifest["files"]}
    found = {
        p.relative_to(SAMPLE).as_posix()
        for p in SAMPLE.rglob("*")
        if p.is_file() and p.name not in ("README.md", "manifest.json")
    }
    assert found == listed
    assert manifest["origin"]
    assert manifest["licence"]
    assert all(entry["made"] for entry in manifest["files"])


def test_folder_holds_nine_frames_and_stays_small():
    assert len(list(SAMPLE.glob("*.tif"))) == 9
    total = sum(p.stat().st_size for p in SAMPLE.rglob("*") if p.is_file())
    assert total < LARGEST_SAMPLE_BYTES
