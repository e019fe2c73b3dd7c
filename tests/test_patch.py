"""A place done again: seamless, exact elsewhere, and taken back to the bit."""

import json
import shutil

import imagecodecs
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image, ImageDraw
from skimage.draw import polygon2mask

import stacker
from stacker.cli import main
from stacker.errors import FrameReadError, InputError, OutputError
from stacker.frame import Box
from stacker.handoff.blend import blended, reach_px
from stacker.handoff.opened import open_result
from stacker.handoff.patching import apply_patches, saved_patches
from stacker.handoff.regions import region_of_text
from stacker.settings import PatchSettings
from tests.results import N_FRAMES, SHAPE, record_of, result_in_files

NARROW = PatchSettings(transition_px=12)


@pytest.fixture(scope="module")
def given(tmp_path_factory):
    return result_in_files(tmp_path_factory.mktemp("given"))


@pytest.fixture
def own(given, tmp_path):
    shutil.copytree(given.parent, tmp_path / "own")
    return tmp_path / "own" / given.name


def files_of(master):
    return {p.name: p.read_bytes() for p in master.parent.iterdir() if p.is_file()}


# Blending ---------------------------------------------------------------------------


@pytest.mark.parametrize("n_levels", [1, 2, 4])
@pytest.mark.parametrize("shape", [(131, 173), (97, 151, 3)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_blend_is_exact_on_both_sides_of_its_reach(n_levels, shape, dtype):
    """Noise against noise: any leak would show."""
    rng = np.random.default_rng(7)
    below, above = (
        rng.integers(0, np.iinfo(dtype).max, shape).astype(dtype) for _ in range(2)
    )
    mask = np.zeros(shape[:2], np.uint8)
    mask[:, 80:] = 255
    out = blended(below, above, mask, n_levels)
    reach = reach_px(n_levels)
    assert out.dtype == dtype
    np.testing.assert_array_equal(out[:, : 80 - reach], below[:, : 80 - reach])
    np.testing.assert_array_equal(out[:, 80 + reach :], above[:, 80 + reach :])
    assert (out != below)[:, 80:].any()


def test_blend_leaves_no_seam():
    """A step of brightness fades out; plain pasting would leave all of it at the edge."""
    below = np.full((120, 160), 20000, np.uint16)
    above = np.full((120, 160), 24000, np.uint16)
    mask = np.zeros(below.shape, np.uint8)
    mask[:, 80:] = 255
    out = blended(below, above, mask, 4).astype(int)
    steps = np.diff(out, axis=1)
    assert (steps >= 0).all()
    assert steps.max() < 4000 / 15  # spread over some thirty pixels
    assert out.min() == 20000
    assert out.max() == 24000


def test_fine_detail_is_not_doubled():
    """Texture changes over within few pixels while brightness takes its time."""
    rng = np.random.default_rng(3)
    texture = rng.integers(-1500, 1500, (120, 160))
    below = (30000 + texture).astype(np.uint16)
    above = np.full((120, 160), 30000, np.uint16)
    mask = np.zeros(below.shape, np.uint8)
    mask[:, 80:] = 255
    out = blended(below, above, mask, 4).astype(float) - 30000
    contrast = out.std(axis=0) / texture.std()
    assert contrast[:72].min() > 0.75
    assert contrast[92:].max() < 0.4


# Patches ----------------------------------------------------------------------------


@pytest.mark.parametrize("colour", [True, False])
def test_patch_lays_the_frame_in_and_leaves_the_rest(tmp_path, colour):
    master = result_in_files(tmp_path, colour=colour)
    before = tifffile.imread(master)
    record = stacker.patch(master, frame=1, region="120,40,50,60", settings=NARROW)
    after = tifffile.imread(master)
    reach = reach_px(2)  # the widest within 12 px
    expected = open_result(master).aligned_frame(1)
    inside = (slice(40 + reach, 100 - reach), slice(120 + reach, 170 - reach))
    np.testing.assert_array_equal(after[inside], expected[inside])
    outside = np.ones(SHAPE, bool)
    outside[40 - reach : 100 + reach, 120 - reach : 170 + reach] = False
    np.testing.assert_array_equal(after[outside], before[outside])
    coverage = tifffile.imread(master.with_name("still life.coverage.tif"))
    assert (coverage[40:100, 120:170] == 1).all()
    assert record == record_of(master)


def test_report_follows(own):
    before = record_of(own)
    record = stacker.patch(own, frame=0, region="150,20,50,60")
    moved = 50 * 60 / (SHAPE[0] * SHAPE[1])
    assert record["frames"][0]["share"] == pytest.approx(
        before["frames"][0]["share"] + moved
    )
    assert sum(f["share"] for f in record["frames"]) == pytest.approx(1)
    cells = record["coverage"]["cells"]
    inside = [
        c
        for c in cells
        if 20 <= c["box"]["row"] <= 80 - c["box"]["height"]
        and 150 <= c["box"]["column"] <= 200 - c["box"]["width"]
    ]
    assert inside
    assert all(c["frames"][0] == {"frame": 0, "share": 1.0} for c in inside)
    (patch,) = record["patches"]
    assert patch["frame"] == 0
    assert patch["region"] == {"row": 20, "column": 150, "height": 60, "width": 50}
    html = own.with_name("still life.report.html").read_text("utf-8")
    assert "Frame 0, 50 \N{MULTIPLICATION SIGN} 60 px at row 20, column 150" in html
    for key in ("created", "settings", "timings_s", "reference", "inputs"):
        assert record[key] == before[key]


def test_metadata_and_profile_stay_and_the_history_grows(own):
    stacker.patch(own, frame=2, region="10,40,30,30")
    with tifffile.TiffFile(own) as tif:
        tags = tif.pages.first.tags
        assert tags["XResolution"].value == (300, 1)
        packet = tags[700].value
        assert len(tags[34675].value) > 100
    assert packet.count(b"<stEvt:action>") == 2
    assert b"patched from frame 2" in packet


def test_undo_brings_every_pixel_back(own):
    before = files_of(own)
    maps = {n: tifffile.imread(own.parent / n) for n in before if n.endswith(".tif")}
    stacker.patch(own, frame=1, region="20,30,60,50")
    stacker.patch(own, frame=3, region="50,50,60,50")
    record = stacker.undo_patch(own)
    assert [p["frame"] for p in record["patches"]] == [1]
    record = stacker.undo_patch(own)
    assert record["patches"] == []
    for name, pixels in maps.items():
        np.testing.assert_array_equal(tifffile.imread(own.parent / name), pixels)
    old = json.loads(before["still life.report.json"])
    assert {**record, "changed": None, "places": None} == {
        **old,
        "changed": None,
        "places": None,
    }
    assert sorted(files_of(own)) == sorted(before)
    with pytest.raises(InputError, match="has no patch that could be taken back"):
        stacker.undo_patch(own)


def test_undo_does_not_lose_what_was_painted_since(own):
    stacker.patch(own, frame=1, region="20,30,60,50")
    result = open_result(own)
    painted = result.picture()
    painted[50, 40] = 0
    result.write_master(own, painted, overwrite=True)
    before = files_of(own)
    with pytest.raises(OutputError, match="has been changed since the patch"):
        stacker.undo_patch(own)
    assert files_of(own) == before


def test_eight_bit_masters_are_patched_in_eight_bit(tmp_path):
    master = result_in_files(tmp_path, bits=8)
    before = tifffile.imread(master)
    assert before.dtype == np.uint8
    stacker.patch(master, frame=2, region="100,60,60,60", settings=NARROW)
    after = tifffile.imread(master)
    assert after.dtype == np.uint8
    frame = open_result(master).aligned_frame(2)[80:100, 120:140].astype(int)
    np.testing.assert_array_equal(after[80:100, 120:140], (frame + 128) // 257)
    stacker.undo_patch(master)
    np.testing.assert_array_equal(tifffile.imread(master), before)


def test_weights_follow_the_patch(own):
    stacker.patch(own, frame=0, region=Box(row=60, column=150, height=20, width=30))
    result = open_result(own)
    inside = (slice(60, 80), slice(150, 180))
    assert (result.weights(0)[inside] == 1).all()
    assert (result.weights(3)[inside] == 0).all()
    box = Box(row=70, column=170, height=20, width=20)
    np.testing.assert_array_equal(
        result.weights(0, box), result.weights(0)[70:90, 170:190]
    )
    total = sum(result.weights(k) for k in range(N_FRAMES))
    np.testing.assert_allclose(total, 1, atol=1e-5)


def test_patches_replay_over_another_fusion(own, tmp_path):
    """The same frames fused anew: the same patches give the same pixels there."""
    stacker.patch(own, frame=1, region="20,30,60,50")
    stacker.patch(own, frame=3, region="50,50,60,50", settings=NARROW)
    other = result_in_files(tmp_path / "other")
    record = apply_patches(open_result(other), saved_patches(open_result(own)))
    np.testing.assert_array_equal(tifffile.imread(other), tifffile.imread(own))
    name = "still life.coverage.tif"
    np.testing.assert_array_equal(
        tifffile.imread(other.with_name(name)), tifffile.imread(own.with_name(name))
    )
    assert [(p["frame"], p["region"]) for p in record["patches"]] == [
        (p["frame"], p["region"]) for p in record_of(own)["patches"]
    ]
    stacker.undo_patch(other)
    assert len(record_of(other)["patches"]) == 1


def test_a_stop_leaves_everything_as_it_was(own):
    before = files_of(own)

    def stop(event):
        if event.stage == "write":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stacker.patch(own, frame=1, region="20,30,60,50", on_event=stop)
    assert files_of(own) == before
    assert not list(own.parent.glob(".stacker-*"))


def test_files_beside_the_master_follow(tmp_path):
    """Preview and tiles of the page show the patched picture, too."""
    master = result_in_files(tmp_path)
    report = master.with_name("still life.report.json")
    record = record_of(master)
    record["settings"]["output"] |= {"preview": True, "page_tiles": True}
    report.write_text(json.dumps(record), "utf-8")
    stacker.patch(master, frame=3, region="20,30,100,90")
    preview = imagecodecs.imread(tmp_path / "still life.preview.jpg")
    tile = imagecodecs.imread(tmp_path / "still life.tiles/0/0_0.jpg")
    # Frame 3 is much brighter than the master.
    assert preview[75, 70, 0] > preview[140, 190, 0] + 60
    assert tile[75, 70, 0] > tile[140, 190, 0] + 60
    assert record_of(master)["tiles"]["folder"] == "still%20life.tiles"


# Regions ----------------------------------------------------------------------------


def whole(region):
    mask = np.zeros(SHAPE, np.uint8)
    box = region.box
    mask[box.row : box.row + box.height, box.column : box.column + box.width] = (
        region.mask
    )
    return mask


def test_rectangles_are_cut_to_the_picture():
    region = region_of_text("-10,140,30,50", SHAPE)
    assert region.box == Box(row=140, column=0, height=10, width=20)
    assert (region.mask == 255).all()


@pytest.mark.parametrize("suffix", [".tif", ".png"])
@pytest.mark.parametrize("depth", [8, 16])
def test_masks_are_pictures(tmp_path, suffix, depth):
    expected = np.zeros(SHAPE, np.uint8)
    expected[31:60, 12:99] = 255
    expected[31, 12:99] = 128
    pixels = expected if depth == 8 else expected.astype(np.uint16) * 257
    path = tmp_path / f"mask{suffix}"
    if suffix == ".tif":
        tifffile.imwrite(path, pixels, metadata=None)
    else:
        path.write_bytes(imagecodecs.png_encode(pixels))
    np.testing.assert_array_equal(whole(region_of_text(path, SHAPE)), expected)


def test_polygons_with_holes_and_several_parts(tmp_path):
    """Held against skimage's point-in-polygon; the outline itself may differ."""
    star = [[30.5, 20.2], [95.1, 31.7], [60.3, 99.4], [22.9, 70.6], [30.5, 20.2]]
    hole = [[45, 40], [60, 40], [60, 60], [45, 60], [45, 40]]
    box = [[150, 100], [190, 100], [190, 140], [150, 140], [150, 100]]
    document = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "Polygon", "coordinates": [star, hole]},
            },
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "MultiPolygon", "coordinates": [[box]]},
            },
        ],
    }
    path = tmp_path / "region.geojson"
    path.write_text(json.dumps(document))
    found = whole(region_of_text(path, SHAPE)) > 0

    def inside(ring):
        return polygon2mask(SHAPE, np.array(ring)[:, ::-1])

    expected = (inside(star) & ~inside(hole)) | inside(box)
    rim = Image.new("1", SHAPE[::-1])
    for ring in (star, hole, box):
        ImageDraw.Draw(rim).line([tuple(p) for p in ring], fill=1, width=3)
    clear = ~np.asarray(rim)
    np.testing.assert_array_equal(found[clear], expected[clear])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("300,10,20,20", "lies outside the master of 203 x 150"),
        ("10,10,0,20", "width and height must be 1 or more"),
    ],
)
def test_rectangles_that_are_none_are_refused(text, message):
    with pytest.raises(InputError, match=message):
        region_of_text(text, SHAPE)


def test_files_that_are_no_region_are_refused(tmp_path):
    small = tmp_path / "small.tif"
    tifffile.imwrite(small, np.full((10, 12), 255, np.uint8), metadata=None)
    with pytest.raises(InputError, match=r"12 x 10 pixels, a mask must .* 203 x 150"):
        region_of_text(small, SHAPE)
    black = tmp_path / "black.tif"
    tifffile.imwrite(black, np.zeros(SHAPE, np.uint8), metadata=None)
    with pytest.raises(InputError, match="black everywhere"):
        region_of_text(black, SHAPE)
    for text in (
        "{}",
        '{"type": "Point", "coordinates": [1, 2]}',
        "[]",
        '{"type": "Polygon"}',
    ):
        path = tmp_path / "x.geojson"
        path.write_text(text)
        with pytest.raises(InputError, match="holds no polygon"):
            region_of_text(path, SHAPE)
    path = tmp_path / "x.geojson"
    path.write_text("{")
    with pytest.raises(FrameReadError, match=r"x\.geojson"):
        region_of_text(path, SHAPE)
    with pytest.raises(FrameReadError, match="no such file"):
        region_of_text("nothing.tif", SHAPE)


def test_frames_that_do_not_fit_are_refused(own):
    with pytest.raises(InputError, match="no frame 9"):
        stacker.patch(own, frame=9, region="10,10,20,20")
    before = files_of(own)
    record = record_of(own)
    record["frames"][3]["transform"] = [[1, 0, 80], [0, 1, 0], [0, 0, 1]]
    own.with_name("still life.report.json").write_text(json.dumps(record))
    with pytest.raises(InputError, match="does not show all of the region"):
        stacker.patch(own, frame=3, region="10,10,20,20")
    mask = np.zeros((9, 9), np.uint8)
    with pytest.raises(InputError, match="the mask is uint8"):
        stacker.patch(own, frame=1, region=mask)
    assert sorted(files_of(own)) == sorted(before)
    assert not list(own.parent.glob(".stacker-*"))


# The command ------------------------------------------------------------------------


def test_command_patches_and_takes_back(own):
    before = tifffile.imread(own)
    run = CliRunner().invoke
    done = run(main, ["patch", str(own), "--frame", "1", "--region", "20,30,60,50"])
    assert done.exit_code == 0, done.output
    assert not np.array_equal(tifffile.imread(own), before)
    assert run(main, ["patch", str(own), "--undo"]).exit_code == 0
    np.testing.assert_array_equal(tifffile.imread(own), before)
    failed = run(main, ["patch", str(own), "--undo"])
    assert failed.exit_code == 1
    assert "no patch that could be taken back" in failed.output


@pytest.mark.parametrize(
    "options",
    [[], ["--frame", "1"], ["--region", "1,1,2,2"], ["--undo", "--frame", "1"]],
)
def test_command_wants_frame_and_region_or_undo(own, options):
    done = CliRunner().invoke(main, ["patch", str(own), *options])
    assert done.exit_code == 2
    assert "--frame and --region" in done.output


def test_patch_settings_are_checked():
    with pytest.raises(InputError, match="transition_px is 3"):
        PatchSettings(transition_px=3)
