"""Frames given where they lie in the system's cache: the same pixels, and no surprise
when a file is cut off while it is looked at."""

import hashlib
import os
import signal
import subprocess
import sys
import textwrap

import numpy as np
import pytest
import tifffile

from stacker import pipeline
from stacker.errors import FrameReadError
from stacker.files import FileSource, mapping, sha256_of_file
from stacker.frame import Box
from stacker.report import images
from stacker.settings import AlignSettings, FuseSettings

needs_maps = pytest.mark.skipif(
    sys.platform != "linux" or sys.maxsize < 2**32, reason="nothing is mapped here"
)


def written(folder, n=2, shape=(700, 900, 3), dtype=np.uint16, **options):
    rng = np.random.default_rng(3)
    frames = [
        rng.integers(0, np.iinfo(dtype).max, shape, dtype, endpoint=True)
        for _ in range(n)
    ]
    paths = [folder / f"frame_{k}.tif" for k in range(n)]
    for path, frame in zip(paths, frames, strict=True):
        colour = "rgb" if frame.ndim == 3 else "minisblack"
        tifffile.imwrite(path, frame, **({"photometric": colour} | options))
    return frames, paths


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"byteorder": ">"},
        {"dtype": np.uint8},
        {"shape": (700, 900)},
        {"shape": (700, 900), "photometric": "miniswhite"},
        {"shape": (3, 700, 900), "photometric": "rgb", "planarconfig": "separate"},
        {"compression": "deflate"},
        {"rowsperstrip": 16},
        {"description": "x"},  # another place in the file, even or odd
        {"description": "xy", "dtype": np.uint8},
    ],
)
def test_the_same_pixels_mapped_and_read(tmp_path, options):
    _, paths = written(tmp_path, **options)
    mapped, read = FileSource(paths, is_mapped=True), FileSource(paths)
    box = Box(row=33, column=5, height=300, width=411)
    for k in range(2):
        a, b = mapped.read(k), read.read(k)
        assert a.dtype == b.dtype
        assert a.flags.c_contiguous
        assert a.flags.aligned
        np.testing.assert_array_equal(a, b)
        part = mapped.read_window(k, box)
        np.testing.assert_array_equal(part, read.read_window(k, box))
        np.testing.assert_array_equal(mapped.view(k), b)
    mapped.rest()


def test_what_is_written_to_a_frame_does_not_reach_its_file(tmp_path):
    _, paths = written(tmp_path)
    before = paths[0].read_bytes()
    frame = FileSource(paths, is_mapped=True).read(0)
    frame[:] = 0
    del frame
    assert paths[0].read_bytes() == before


@needs_maps
@pytest.mark.parametrize("way", ["read", "window", "view"])
def test_a_frame_cut_off_while_it_is_looked_at_is_told(tmp_path, way):
    frames, paths = written(tmp_path)
    source = FileSource(paths, is_mapped=True)
    box = Box(row=0, column=0, height=700, width=900)
    look = {
        "read": lambda: source.read(1),
        "window": lambda: source.read_window(1, box),
        "view": lambda: source.view(1),
    }[way]
    held = [look()]
    pixels = held[0]
    os.truncate(paths[1], 100_000)
    np.testing.assert_array_equal(pixels[:10], frames[1][:10])
    assert not pixels[-1].any()
    del pixels
    for _ in range(2):  # while the frame is held, and once nobody does
        with pytest.raises(FrameReadError, match=r"frame_1\.tif.*cut off"):
            source.rest()
        held.clear()
    with pytest.raises(FrameReadError, match=r"frame_1\.tif"):
        source.read(0)


@needs_maps
def test_a_frame_cut_off_during_a_fusion_ends_it_in_one_line(tmp_path):
    """The second frame is cut off once it is mapped; nothing is written."""
    written(tmp_path, n=3)
    script = textwrap.dedent(
        """
        import os, sys
        from stacker.files import source
        from stacker.cli import main

        decode = source.decode
        def cut_short(header, **options):
            pixels = decode(header, **options)
            if header.info.name.endswith("frame_1.tif"):
                os.truncate(header.info.name, 50_000)
            return pixels
        source.decode = cut_short
        sys.exit(main(sys.argv[1:]))
        """
    )
    out = tmp_path / "out"
    out.mkdir()
    command = ["fuse", str(tmp_path), "-o", str(out / "a.tif"), "-q"]
    done = subprocess.run(
        [sys.executable, "-c", script, *command],
        capture_output=True,
        check=False,
        text=True,
    )
    assert done.returncode == 1, done.stderr
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1
    assert "frame_1.tif" in lines[0]
    assert "cut off" in lines[0]
    assert list(out.iterdir()) == []


@needs_maps
def test_signals_of_others_stay_theirs(tmp_path):
    """A map that is not ours ends the process as ever, whatever we have mapped."""
    _, paths = written(tmp_path)
    script = textwrap.dedent(
        """
        import mmap, os, sys
        from stacker.files import FileSource

        source = FileSource(sys.argv[1:3], is_mapped=True)
        frame = source.read(0)
        with open(sys.argv[3], "r+b") as file:
            other = mmap.mmap(file.fileno(), 0)
            os.truncate(sys.argv[3], 0)
            other[100_000]
        """
    )
    other = tmp_path / "other"
    other.write_bytes(bytes(200_000))
    names = [str(p) for p in (*paths, other)]
    command = [sys.executable, "-c", script, *names]
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode == -signal.SIGBUS


@needs_maps
def test_more_maps_than_places_are_read_instead(tmp_path, monkeypatch):
    frames, paths = written(tmp_path)
    monkeypatch.setattr(mapping._guarded(), "free", [])
    source = FileSource(paths, is_mapped=True)
    np.testing.assert_array_equal(source.read(0), frames[0])
    np.testing.assert_array_equal(source.view(1), frames[1])
    assert source._views._names == {}


def test_checksums_are_those_of_hashlib(tmp_path):
    path = tmp_path / "file"
    for size in (0, 1, 5000, (32 << 20) + 17):
        path.write_bytes(os.urandom(size))
        wanted = hashlib.sha256(path.read_bytes()).hexdigest()
        assert sha256_of_file(path) == wanted
    assert sha256_of_file(tmp_path / "none") is None


@needs_maps
def test_a_frame_cut_off_while_the_page_is_made_is_told(tmp_path, monkeypatch):
    """Its crops on the page would be black."""
    _, paths = written(tmp_path, n=3)
    out = tmp_path / "out"
    out.mkdir()
    page_images = images.page_images

    def cut_short(*args, aligned, **options):
        samples = mapping.FileMaps.samples

        def then_cut(*args, **options):
            found = samples(*args, **options)
            os.truncate(paths[1], 20_000)
            return found

        with monkeypatch.context() as patch:
            patch.setattr(mapping.FileMaps, "samples", then_cut)
            aligned(1)  # as a place of the page looks
        return page_images(*args, **options)

    monkeypatch.setattr(pipeline, "page_images", cut_short)
    still = FuseSettings(align=AlignSettings(enabled=False))
    with pytest.raises(FrameReadError, match=r"frame_1\.tif"):
        pipeline.fuse_bracket(paths, out / "a.tif", still)
    assert list(out.iterdir()) == []
