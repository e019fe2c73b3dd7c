"""What a retoucher is handed, checked with readers that are not ours."""

import json
import shutil
import subprocess
import zipfile
from io import BytesIO
from xml.etree import ElementTree as ET

import imagecodecs
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image

import stacker
from stacker.cli import main
from stacker.errors import (
    FrameReadError,
    InputError,
    OutputError,
    OutputExistsError,
)
from stacker.frame import Box
from stacker.handoff.export import write_handoff
from stacker.handoff.layers import LayerWriter
from stacker.handoff.opened import open_result
from stacker.settings import HandoffSettings
from tests.results import N_FRAMES, PROFILES, SHAPE, record_of, result_in_files

TIFFINFO = shutil.which("tiffinfo")


@pytest.fixture(scope="module")
def given(tmp_path_factory):
    """A fusion in files that no test changes."""
    return result_in_files(tmp_path_factory.mktemp("given"))


@pytest.fixture
def own(given, tmp_path):
    """A copy of it for a test that writes."""
    shutil.copytree(given.parent, tmp_path / "own")
    return tmp_path / "own" / given.name


# Plain arrays -----------------------------------------------------------------------


def test_result_opens_by_master_or_report(given):
    by_master = open_result(given)
    by_report = stacker.open_result(given.with_name("still life.report.json"))
    assert by_master.record == by_report.record
    assert by_master.shape == SHAPE
    np.testing.assert_array_equal(by_master.picture(), tifffile.imread(given))


def test_maps_come_in_their_units(given):
    result = open_result(given)
    depth = result.depth()
    assert depth[0, 0] == 0
    assert depth[0, -1] == pytest.approx(N_FRAMES - 1)
    assert result.confidence()[0, 0] == 0
    assert result.confidence()[-1, 0] == 1
    away = result.depth_mm()
    assert away[5, 0] == pytest.approx(300)
    assert away[5, -1] == pytest.approx(500, rel=1e-5)
    # Half way from frame 0 to 1: the harmonic mean of 300 and 350 mm.
    middle = np.abs(depth[0] - 0.5).argmin()
    assert away[5, middle] == pytest.approx(323.08, abs=1)


def test_windows_are_parts_of_the_whole(given):
    result = open_result(given)
    box = Box(row=31, column=77, height=40, width=23)
    part = (slice(31, 71), slice(77, 100))
    for method in ("picture", "depth", "depth_mm", "confidence", "coverage"):
        whole = getattr(result, method)()
        np.testing.assert_array_equal(getattr(result, method)(box), whole[part])
    for method in ("aligned_frame", "weights"):
        whole = getattr(result, method)(2)
        np.testing.assert_array_equal(getattr(result, method)(2, box), whole[part])


def test_weights_sum_to_one_and_peak_where_the_frame_is_sharp(given):
    result = open_result(given)
    shares = np.stack([result.weights(k) for k in range(N_FRAMES)])
    np.testing.assert_allclose(shares.sum(axis=0), 1, atol=1e-5)
    assert (shares >= 0).all()
    sure = slice(30, None)
    for k in range(N_FRAMES):
        column = round(k * (SHAPE[1] - 1) / (N_FRAMES - 1))
        assert shares[k, sure, column].min() > 0.95
    leading = shares[:, sure].argmax(axis=0) == result.coverage()[sure]
    assert leading[:, np.arange(SHAPE[1]) != SHAPE[1] // 2].all()  # there: a tie
    # No depth known: a broad mean, no frame alone.
    assert shares[:, 5].max() < 0.6


def test_a_frame_left_out_has_no_share_and_its_neighbours_fill_in(tmp_path):
    result = open_result(result_in_files(tmp_path, left_out=2))
    assert result.used == (0, 1, 3)
    shares = np.stack([result.weights(k) for k in range(N_FRAMES)])
    assert not shares[2].any()
    np.testing.assert_allclose(shares.sum(axis=0), 1, atol=1e-5)
    with pytest.raises(InputError, match="frame 2 was left out"):
        result.aligned_frame(2)


def test_master_of_a_fusion_is_the_weighted_mean_of_its_frames(shelf):
    """The masks are those of the blend: they make the picture again, nearly."""
    result = open_result(shelf)
    mean = np.zeros((*result.shape, 3))
    for k in result.used:
        mean += result.weights(k)[..., None] * result.aligned_frame(k).astype(float)
    error = mean - result.picture()
    # Measured: 47 dB; the rest is the small negative weights beside each peak.
    assert 10 * np.log10(65535**2 / np.square(error).mean()) > 42


def test_what_cannot_be_opened_is_said(given, tmp_path):
    with pytest.raises(FrameReadError, match="no such report"):
        open_result(tmp_path / "nothing.tif")
    (tmp_path / "x.report.json").write_text("[1, 2]")
    with pytest.raises(FrameReadError, match="is no report of a fusion"):
        open_result(tmp_path / "x.report.json")
    result = open_result(given)
    with pytest.raises(InputError, match="no frame 4: the bracket has 0 to 3"):
        result.weights(4)
    with pytest.raises(InputError, match="leaves the picture of 203 x 150"):
        result.picture(Box(row=0, column=200, height=1, width=9))


def test_frames_are_found_where_they_lie_now(own, tmp_path):
    """Given absolute paths that are gone: beside the report, or where one says."""
    report = own.with_name("still life.report.json")
    text = report.read_text("utf-8").replace(
        record_of(own)["frames"][0]["file"][:-12], "/gone/"
    )
    report.write_text(text, "utf-8")
    with pytest.raises(FrameReadError, match=r"shot_00\.tif: is not there any more"):
        open_result(own).aligned_frame(0)
    elsewhere = tmp_path / "elsewhere"
    (own.parent / "shots").rename(elsewhere)
    assert open_result(own, frames_in=elsewhere).aligned_frame(0).shape == (*SHAPE, 3)


def test_master_with_own_pixels_keeps_profile_and_metadata(own, tmp_path):
    result = open_result(own)
    pixels = result.picture()
    pixels[:10] = 0
    result.write_master(tmp_path / "darker.tif", pixels)
    with tifffile.TiffFile(tmp_path / "darker.tif") as tif:
        page = tif.pages.first
        np.testing.assert_array_equal(page.asarray(), pixels)
        assert page.tags[34675].value == PROFILES[True]
        assert page.tags["XResolution"].value == (300, 1)
        assert b"pixels changed by a script" in page.tags[700].value
    with pytest.raises(OutputExistsError):
        result.write_master(tmp_path / "darker.tif", pixels)
    with pytest.raises(InputError, match=r"uint16 \(10, 203, 3\): expected"):
        result.write_master(tmp_path / "other.tif", pixels[:10])
    with pytest.raises(OutputError, match="is one of the frames"):
        result.write_master(result.frame_paths[1], pixels, overwrite=True)


# The folder -------------------------------------------------------------------------


def test_frames_and_masks_are_plain_tiff_files_in_the_masters_space(own):
    done = write_handoff(open_result(own))
    assert done.folder == own.with_name("still life.handoff")
    assert done.frames == (0, 1, 2, 3)
    result = open_result(own)
    total = np.zeros(SHAPE)
    for k in range(N_FRAMES):
        frame = tifffile.imread(done.folder / f"frames/still life_{k:02}.tif")
        assert frame.dtype == np.uint16
        np.testing.assert_array_equal(frame, result.aligned_frame(k))
        with Image.open(done.folder / f"masks/still life_{k:02}.tif") as mask:
            assert (mask.mode, mask.size) == ("L", SHAPE[::-1])
            values = np.asarray(mask)
        np.testing.assert_array_equal(values, np.rint(result.weights(k) * 255))
        total += values
    assert np.abs(total - 255).max() <= 2  # rounding of each mask
    with Image.open(done.folder / "frames/still life_01.tif") as shown:
        assert shown.info["icc_profile"] == PROFILES[True]
        assert shown.info["dpi"] == (300, 300)


@pytest.mark.parametrize("colour", [True, False])
@pytest.mark.parametrize("compression", ["none", "deflate"])
def test_layered_tiff_has_named_pages_of_16_bit(tmp_path, colour, compression):
    """Page 0 the master; above it the frames, whole in colour, mask as alpha."""
    master = result_in_files(tmp_path, colour=colour)
    done = write_handoff(open_result(master), HandoffSettings(compression=compression))
    result = open_result(master)
    path = done.folder / "still life.layers.tif"
    with tifffile.TiffFile(path) as tif:
        pages = [p for p in tif.pages if isinstance(p, tifffile.TiffPage)]
        assert len(pages) == 1 + N_FRAMES
        names = [page.tags["PageName"].value for page in pages]
        assert names == ["fused", *(f"frame {k}: shot_{k:02}.tif" for k in range(4))]
        np.testing.assert_array_equal(tif.pages[0].asarray(), result.picture())
        for k in range(N_FRAMES):
            page = pages[1 + k]
            layer = page.asarray()
            assert page.tags["ExtraSamples"].value == (2,)  # unassociated alpha
            assert page.tags["BitsPerSample"].value == (16,) * layer.shape[2]
            assert 34675 in page.tags
            colours = layer[..., :-1] if colour else layer[..., 0]
            np.testing.assert_array_equal(colours, result.aligned_frame(k))
            mask = tifffile.imread(done.folder / f"masks/still life_{k:02}.tif")
            np.testing.assert_array_equal(layer[..., -1], mask.astype(int) * 257)
    with Image.open(path) as image:
        if colour:  # Pillow has no 16-bit RGB: it shows the pages at 8
            assert getattr(image, "n_frames", 1) == 1 + N_FRAMES
            image.seek(3)
            assert getattr(image, "tag_v2", {})[285] == "frame 2: shot_02.tif"


@pytest.mark.skipif(TIFFINFO is None, reason="no tiffinfo (Debian: libtiff-tools)")
def test_libtiff_reads_the_layers(own):
    done = write_handoff(open_result(own), only=[2])
    told = subprocess.run(
        [str(TIFFINFO), "-D", done.folder / "still life.layers.tif"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "PageName: frame 2: shot_02.tif" in told.stdout
    assert "unassoc-alpha" in told.stdout
    assert "error" not in told.stderr.lower()


def test_layers_become_bigtiff_by_themselves(tmp_path):
    """Four gigabytes are what classic TIFF can address: many layers pass that."""
    pixels = np.zeros((8, 9, 3), np.uint16)
    for n_layers, version in ((2, 42), (500, 43)):
        path = tmp_path / f"{n_layers}.tif"
        shape = (3000, 4000, 3)  # said, not written
        with LayerWriter(
            path, shape, n_layers, icc_profile=None, compression="none"
        ) as layers:
            layers.add(pixels, "é <b>")
        assert int.from_bytes(path.read_bytes()[2:4], "little") == version
        with tifffile.TiffFile(path) as tif:
            assert tif.pages.first.tags["PageName"].value.encode() == "é <b>".encode()


def test_openraster_follows_the_draft(own):
    """ZIP with the type first and stored, a stack with the top layer first, 16-bit PNG."""
    done = write_handoff(open_result(own), HandoffSettings(openraster=True))
    result = open_result(own)
    with zipfile.ZipFile(done.folder / "still life.ora") as file:
        assert file.testzip() is None
        first = file.infolist()[0]
        assert (first.filename, first.compress_type) == ("mimetype", zipfile.ZIP_STORED)
        assert file.read("mimetype") == b"image/openraster"
        image = ET.fromstring(file.read("stack.xml"))  # noqa: S314  # our own
        assert (image.tag, image.get("w"), image.get("h")) == ("image", "203", "150")
        (stack,) = image
        layers = list(stack)
        assert [x.get("name") for x in layers] == [
            *(f"frame {k}: shot_{k:02}.tif" for k in (3, 2, 1, 0)),
            "fused",
        ]
        assert {x.get("composite-op") for x in layers} == {"svg:src-over"}
        for k, layer in zip((3, 2, 1, 0), layers, strict=False):
            data = file.read(layer.get("src", ""))
            pixels = imagecodecs.png_decode(data)
            assert pixels.dtype == np.uint16
            x, y = int(layer.get("x", "")), int(layer.get("y", ""))
            box = Box(row=y, column=x, height=pixels.shape[0], width=pixels.shape[1])
            np.testing.assert_array_equal(pixels[..., :3], result.aligned_frame(k, box))
            mask = np.rint(result.weights(k) * 255)
            assert mask[:, :x].sum() == mask[:, x + box.width :].sum() == 0
            np.testing.assert_array_equal(
                pixels[..., 3], 257 * mask[:, x : x + box.width][y : y + box.height]
            )
            with Image.open(BytesIO(data)) as shown:
                assert "icc_profile" in shown.info
                assert not shown.info.get("interlace")
        merged = imagecodecs.png_decode(file.read("mergedimage.png"))
        np.testing.assert_array_equal(merged, result.picture())
        with Image.open(BytesIO(file.read("Thumbnails/thumbnail.png"))) as small:
            assert max(small.size) <= 256


def test_only_some_frames(own):
    done = write_handoff(open_result(own), only=[3, 1, 1])
    assert done.frames == (1, 3)
    assert len(list((done.folder / "frames").iterdir())) == 2
    listed = json.loads((done.folder / "contents.json").read_text("utf-8"))
    assert [f["number"] for f in listed["frames"]] == [1, 3]
    found = {str(p.relative_to(done.folder)) for p in done.folder.rglob("*.tif")}
    assert found == set(listed["files"])
    shares = [f["share"] for f in record_of(own)["frames"]]
    least = sorted(shares)[-2]
    done = write_handoff(
        open_result(own), HandoffSettings(min_share=least, layers=False, overwrite=True)
    )
    assert done.frames == tuple(k for k, s in enumerate(shares) if s >= least)
    assert not (done.folder / "still life.layers.tif").exists()


def test_hand_off_appears_whole_or_not_at_all(own, monkeypatch):
    result = open_result(own)

    def stop(event):
        if event.done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_handoff(result, on_event=stop)
    assert not any(".handoff" in p.name for p in own.parent.iterdir())
    assert not list(own.parent.glob(".stacker-*"))


def test_nobodys_work_is_replaced(own):
    """Not without being asked, and never a folder with a retoucher's own files in it."""
    result = open_result(own)
    folder = write_handoff(result, only=[0]).folder
    with pytest.raises(OutputExistsError):
        write_handoff(result, only=[1])
    write_handoff(result, HandoffSettings(overwrite=True), only=[1])
    assert [p.name for p in (folder / "frames").iterdir()] == ["still life_01.tif"]
    (folder / "my retouching.xcf").write_text("hours of work")
    with pytest.raises(OutputError, match=r"my retouching\.xcf, which is not of"):
        write_handoff(result, HandoffSettings(overwrite=True))
    assert (folder / "my retouching.xcf").read_text() == "hours of work"


@pytest.mark.parametrize(
    ("only", "message"),
    [
        ([7], "frame 7 does not exist: choose from 0, 1, 3"),
        ([2], "frame 2 was left out"),
    ],
)
def test_frames_that_cannot_be_had_are_named(tmp_path, only, message):
    master = result_in_files(tmp_path, left_out=2)
    with pytest.raises(InputError, match=message):
        write_handoff(open_result(master), only=only)


def test_command_line(own, tmp_path):
    out = tmp_path / "for them"
    out.mkdir()
    args = ["handoff", str(own), "--into", str(out), "--only", "0,3", "--openraster"]
    done = CliRunner().invoke(main, args)
    assert done.exit_code == 0, done.output
    assert done.stdout.strip() == str(out / "still life.handoff")
    assert (out / "still life.handoff" / "still life.ora").exists()
    again = CliRunner().invoke(main, args)
    assert again.exit_code == 1
    assert "exists already" in again.output
    wrong = CliRunner().invoke(main, ["handoff", str(own), "--only", "a,b"])
    assert wrong.exit_code == 2
    assert "no list of frame numbers" in wrong.output
