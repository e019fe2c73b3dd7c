"""Results: whole or not at all, never over anything, exact in every packing."""

import os
import subprocess
import sys
import textwrap
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

from stacker.errors import OutputError, OutputExistsError
from stacker.files import Merge, Metadata, Results
from stacker.files.colour import is_srgb
from stacker.files.packing import is_big_needed
from stacker.files.tiffwrite import as_bits, write_tiff
from stacker.settings import OutputSettings

RNG = np.random.default_rng(17)
RGB = RNG.integers(0, 65535, (131, 173, 3), dtype=np.uint16)
GREY = np.ascontiguousarray(RGB[:, :, 0])
MERGE = Merge(
    frames=("a.tif", "b.tif"),
    software="stacker 0.0",
    settings_digest="0123abcd",
    when=datetime(2026, 5, 2, 8, 30, tzinfo=UTC),
)
ALL = ("", ".depth", ".confidence", ".coverage")

no_root = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0,
    reason="permissions do not stop the superuser",
)


def write_all(results):
    results.write_master(RGB, Metadata(), MERGE)
    results.write_depth(GREY)
    results.write_confidence((GREY >> 8).astype(np.uint8))
    results.write_coverage((GREY >> 8).astype(np.uint8))
    results.write_text(".report.json", '{"é": 1}')
    results.write_text(".report.html", "<p>é</p>")


def test_all_files_have_their_names_and_content(tmp_path):
    with Results(tmp_path / "out.tif") as results:
        write_all(results)
        assert not any(p.suffix == ".tif" for p in tmp_path.iterdir())
        files = results.commit()
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in files)
    assert {p.name for p in files} == {
        "out.tif",
        "out.depth.tif",
        "out.confidence.tif",
        "out.coverage.tif",
        "out.report.json",
        "out.report.html",
    }
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "out.tif"), RGB)
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "out.depth.tif"), GREY)
    with Image.open(tmp_path / "out.depth.tif") as image:
        np.testing.assert_array_equal(np.asarray(image), GREY)
    with Image.open(tmp_path / "out.confidence.tif") as image:
        assert image.mode == "L"
        np.testing.assert_array_equal(np.asarray(image), GREY >> 8)
    text = (tmp_path / "out.report.json").read_bytes()
    assert text == '{"é": 1}'.encode()


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_nothing_is_left_after_an_exception(tmp_path, error):
    def work():
        with Results(tmp_path / "out.tif") as results:
            write_all(results)
            raise error

    with pytest.raises(error):
        work()
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_without_commit(tmp_path):
    with Results(tmp_path / "out.tif") as results:
        write_all(results)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["out.tif", "out.coverage.tif", "out.report.html"])
def test_existing_results_are_refused_before_the_work(tmp_path, name):
    (tmp_path / name).write_bytes(b"precious")
    with pytest.raises(OutputExistsError, match=f"{name}: exists already"):
        Results(tmp_path / "out.tif")
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_bytes() == b"precious"


def test_a_dangling_link_is_something_that_exists(tmp_path):
    (tmp_path / "out.tif").symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputExistsError):
        Results(tmp_path / "out.tif")


def test_a_result_that_appears_meanwhile_is_not_replaced(tmp_path):
    with Results(tmp_path / "out.tif") as results:
        write_all(results)
        (tmp_path / "out.tif").write_bytes(b"precious")
        with pytest.raises(OutputExistsError, match="has appeared"):
            results.commit()
    assert [p.name for p in tmp_path.iterdir()] == ["out.tif"]
    assert (tmp_path / "out.tif").read_bytes() == b"precious"


def test_overwriting_replaces_all(tmp_path):
    for _ in range(2):
        settings = OutputSettings(overwrite=True)
        with Results(tmp_path / "out.tif", settings=settings) as results:
            write_all(results)
            results.commit()
    assert len(list(tmp_path.iterdir())) == 6


def test_old_results_come_back_when_the_new_cannot_be_placed(tmp_path, monkeypatch):
    for name in ("out.tif", "out.depth.tif"):
        (tmp_path / name).write_bytes(b"old")
    replace = Path.replace

    def failing(self, target):
        if Path(target).name == "out.tif" and not self.name.startswith("old-"):
            raise OSError(5, "Input/output error")
        return replace(self, target)

    settings = OutputSettings(overwrite=True)
    with Results(tmp_path / "out.tif", settings=settings) as results:
        write_all(results)
        monkeypatch.setattr(Path, "replace", failing)
        with pytest.raises(OutputError, match=r"out\.tif: cannot be put in place"):
            results.commit()
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {
        "out.tif": b"old",
        "out.depth.tif": b"old",
    }


def test_a_frame_is_never_replaced(tmp_path):
    frame = tmp_path / "out.depth.tif"
    frame.write_bytes(b"frame")
    settings = OutputSettings(overwrite=True)
    with pytest.raises(OutputError, match="is one of the frames"):
        Results(tmp_path / "out.tif", settings=settings, inputs=[frame])
    link = tmp_path / "link.tif"
    link.symlink_to(frame)
    with pytest.raises(OutputError, match="is one of the frames"):
        Results(tmp_path / "out.tif", settings=settings, inputs=[link])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("gone/out.tif", "no such folder"),
        ("file/out.tif", "is not a folder"),
        ("out.gif", "must end in"),
        ("out", "must end in"),
        ("folder.tif", "is a folder"),
        ("x" * 250 + ".tif", "cannot be used as a name"),
    ],
)
def test_places_that_cannot_be_written(tmp_path, name, words):
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "folder.tif").mkdir()
    with pytest.raises(OutputError, match=words) as caught:
        Results(tmp_path / name)
    assert "\n" not in str(caught.value)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "folder.tif"]


@no_root
def test_a_folder_without_permission(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="not writable"):
            Results(tmp_path / "out.tif")
    finally:
        tmp_path.chmod(0o700)


def test_a_folder_that_refuses_new_files(tmp_path, monkeypatch):
    def refuse(**options):
        raise PermissionError(13, "Permission denied", options["dir"])

    monkeypatch.setattr("stacker.files.results.tempfile.mkdtemp", refuse)
    with pytest.raises(OutputError, match="not writable"):
        Results(tmp_path / "out.tif")


def in_child(code, *arguments):
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), *map(str, arguments)],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on file sizes")
def test_a_full_disk_is_one_line_and_leaves_nothing(tmp_path):
    # A limit on the size of files fails in write() as a full disk does.
    done = in_child(
        """
        import resource, signal, sys
        import numpy as np
        from stacker.errors import OutputError
        from stacker.files import Results
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
        depth = np.random.default_rng(0).integers(0, 65535, (400, 301), dtype="u2")
        try:
            with Results(sys.argv[1] + "/out.tif") as results:
                results.write_depth(depth)
        except OutputError as err:
            print(err)
        """,
        tmp_path,
    )
    assert done.stderr == ""
    assert "out.depth.tif: cannot be written (file too large)" in done.stdout
    assert len(done.stdout.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="kills a process")
def test_what_a_killed_run_left_behind_is_cleared_and_a_live_one_is_not(tmp_path):
    done = in_child(
        """
        import os, signal, sys
        from stacker.files import Results
        results = Results(sys.argv[1] + "/out.tif")
        results.write_text(".report.json", "{}")
        os.kill(os.getpid(), signal.SIGKILL)
        """,
        tmp_path,
    )
    assert done.returncode == -9
    assert len(list(tmp_path.iterdir())) == 1
    with Results(tmp_path / "one.tif") as one:
        one.write_text(".report.json", "1")
        with Results(tmp_path / "two.tif") as two:
            two.write_text(".report.json", "2")
            two.commit()
        one.commit()
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "one.report.json",
        "two.report.json",
    ]


@pytest.mark.parametrize("tiles", [False, True])
@pytest.mark.parametrize("compression", ["none", "deflate", "lzw", "zstd"])
@pytest.mark.parametrize("pixels", [RGB, GREY], ids=["rgb", "grey"])
def test_every_packing_is_exact(tmp_path, pixels, compression, tiles):
    path = tmp_path / "a.tif"
    settings = OutputSettings(compression=compression, tiles=tiles)
    write_tiff(path, pixels, Metadata(), settings)
    np.testing.assert_array_equal(tifffile.imread(path), pixels)
    with tifffile.TiffFile(path) as tif:
        page = tif.pages.first
        assert page.is_tiled == tiles
        names = {"none": 1, "deflate": 8, "lzw": 5, "zstd": 50000}
        assert page.compression == names[compression]


def test_eight_bits_are_the_nearest_levels():
    codes = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    expected = np.rint(codes / 257.0).astype(np.uint8)
    np.testing.assert_array_equal(as_bits(codes, 8), expected)
    assert as_bits(codes, 16) is codes


def test_an_eight_bit_master(tmp_path):
    with Results(tmp_path / "out.tif", settings=OutputSettings(bits=8)) as results:
        results.write_master(RGB, Metadata(), MERGE)
        results.commit()
    with Image.open(tmp_path / "out.tif") as image:
        np.testing.assert_array_equal(np.asarray(image), as_bits(RGB, 8))


def test_bigtiff_is_decided_from_the_size_before_packing():
    four_gb = 2**32
    assert not is_big_needed(600_000_000, 10**6, "deflate")
    assert not is_big_needed(four_gb - 2**21, 0, "none")
    for compression in ("none", "deflate", "lzw", "zstd"):
        assert is_big_needed(5 * 10**9, 0, compression)
    assert is_big_needed(four_gb - 2**21, 2**22, "none")
    # LZW can make noise bigger than it was.
    assert is_big_needed(3 * 10**9, 0, "lzw")


def test_a_five_gigabyte_master_is_written_as_bigtiff(tmp_path, monkeypatch):
    # One row of memory stands for 50,000 of them; tifffile is kept from writing it.
    row = np.zeros((1, 17_000, 3), dtype=np.uint16)
    picture = np.broadcast_to(row, (50_000, 17_000, 3))
    seen: dict[str, Any] = {}
    monkeypatch.setattr(tifffile, "imwrite", lambda _, **o: seen.update(o))
    write_tiff(tmp_path / "a.tif", picture, Metadata(), OutputSettings())
    assert np.prod(seen["shape"]) * seen["dtype"].itemsize > 5 * 10**9
    assert seen["bigtiff"] is True


def test_preview_is_an_srgb_jpeg(tmp_path):
    settings = OutputSettings(preview=True)
    smooth = np.full((31, 53, 3), (200, 100, 50), dtype=np.uint8)
    with Results(tmp_path / "out.tif", settings=settings) as results:
        results.write_preview(smooth)
        (path,) = results.commit()
    assert path == tmp_path / "out.preview.jpg"
    with Image.open(path) as image:
        assert image.size == (53, 31)
        assert is_srgb(image.info["icc_profile"])
        np.testing.assert_allclose(np.asarray(image, int), smooth, atol=4)


def test_names_that_are_not_text(tmp_path):
    folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff \n'<b>"))
    folder.mkdir()
    with Results(folder / "-o.tif") as results:
        write_all(results)
        results.write_text(".more.txt", f"{folder}")
        assert len(results.commit()) == 7
