"""Camera raw: every frame developed alike, checked on mosaics made here."""

import json
import os
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile

from stacker.errors import BracketError, FrameReadError, InputError
from stacker.files import FileSource, Merge, Results, find_frames, transfer_table
from stacker.files.colour import is_srgb, profile_name
from stacker.files.profiles import SPACES, adapted_primaries, named_profile
from stacker.files.raw import profile_for
from stacker.settings import ReadSettings
from tests.cameras import BLACK, WHITE, exiftool, write_dng

RNG = np.random.default_rng(29)
SHAPE = (60, 84)


def mosaic(level, *, noise=0.0):
    """RGGB samples of a flat grey field at `level` of the range, 0..1."""
    samples = BLACK + level * (WHITE - BLACK) + RNG.normal(0, 1, SHAPE) * noise
    return np.rint(samples.clip(0, WHITE)).astype(np.uint16)


def light_of(source, index=0):
    """Mean linear light per channel of a frame, away from the edges."""
    table = transfer_table(source.infos[0].icc_profile, 3).table
    pixels = source.read(index)[8:-8, 8:-8]
    return np.array([table[c][pixels[..., c]].mean(dtype=np.float64) for c in range(3)])


class TestProfiles:
    """Profiles made here, against published numbers."""

    def test_adobe_rgb_colorants_as_published(self):
        # Adobe RGB (1998) Color Image Encoding, 2005, annex A / the profile that Adobe
        # publishes: colorants adapted to D50.
        expected = [
            [0.60974, 0.20528, 0.14919],
            [0.31111, 0.62567, 0.06322],
            [0.01947, 0.06087, 0.74457],
        ]
        found = adapted_primaries(SPACES["adobe-rgb-compatible"])
        np.testing.assert_allclose(found, expected, atol=2e-5)

    def test_srgb_colorants_as_published(self):
        # The ICC's own sRGB profile (sRGB2014.icc): XYZ of its colorants.
        expected = [
            [0.43607, 0.38515, 0.14307],
            [0.22249, 0.71687, 0.06061],
            [0.01392, 0.09708, 0.71410],
        ]
        found = adapted_primaries(SPACES["srgb"])
        np.testing.assert_allclose(found, expected, atol=2e-4)

    @pytest.mark.parametrize("name", SPACES)
    def test_the_colorants_add_up_to_d50(self, name):
        # ICC.1:2022, 7.2.16.
        white = adapted_primaries(SPACES[name]).sum(axis=1)
        np.testing.assert_allclose(white, [0.9642, 1.0, 0.8249], atol=1e-4)

    @pytest.mark.parametrize("name", SPACES)
    def test_a_colour_engine_accepts_them(self, name):
        profile = named_profile(name)
        imagecodecs.cms_profile_validate(profile)
        assert profile_name(profile) == SPACES[name].name
        assert profile == named_profile.__wrapped__(name)
        assert transfer_table(profile, 3).is_linearised

    def test_srgb_is_srgb(self):
        assert is_srgb(named_profile("srgb"))
        assert not is_srgb(named_profile("prophoto-compatible"))

    @pytest.mark.parametrize(
        ("ours", "theirs"), [("srgb", "srgb"), ("adobe-rgb-compatible", "adobergb")]
    )
    def test_they_mean_the_same_as_the_engines_own(self, ours, theirs):
        pixels = RNG.integers(0, 65535, (31, 53, 3), dtype=np.uint16)
        converted = imagecodecs.cms_transform(
            pixels,
            named_profile(ours),
            imagecodecs.cms_profile(theirs),
            colorspace="rgb",
            outcolorspace="rgb",
        )
        # Half a level of 8 bit: their colorants are rounded to other last digits.
        np.testing.assert_allclose(converted.astype(int), pixels, atol=257)

    def test_a_profile_that_cannot_be_used_is_named(self, tmp_path):
        with pytest.raises(InputError, match=r"raw_profile is '.*gone\.icc': expected"):
            profile_for(str(tmp_path / "gone.icc"))
        (tmp_path / "a.icc").write_bytes(b"hello")
        with pytest.raises(InputError, match="not an ICC profile for RGB"):
            profile_for(str(tmp_path / "a.icc"))


def test_without_the_extra_raw_files_are_refused_in_one_line(tmp_path, monkeypatch):
    path = write_dng(tmp_path / "a.dng", mosaic(0.2))

    def missing(name):
        raise ImportError(name)

    monkeypatch.setattr("stacker.files.raw.import_module", missing)
    with pytest.raises(FrameReadError, match=r"a\.dng: .*pip install stacker\[raw\]"):
        FileSource([path, path])


class TestDevelopment:
    """Frames developed from DNG files."""

    @pytest.fixture(autouse=True)
    def _rawpy(self):
        pytest.importorskip("rawpy", reason='the extra "raw" is not installed')

    def bracket(self, folder, levels=(0.25, 0.25), settings=None, **options):
        paths = [
            write_dng(folder / f"f{i}.dng", mosaic(level, noise=1.0), **options)
            for i, level in enumerate(levels)
        ]
        return FileSource(paths, settings)

    def test_a_grey_field_is_grey_at_its_level(self, tmp_path):
        # As-shot neutral: the camera sees grey as (0.5, 1, 0.625).
        samples = mosaic(0.25)
        samples[::2, ::2] = BLACK + 0.125 * (WHITE - BLACK)
        samples[1::2, 1::2] = BLACK + 0.625 * 0.25 * (WHITE - BLACK)
        paths = [write_dng(tmp_path / f"f{i}.dng", samples) for i in range(2)]
        np.testing.assert_allclose(light_of(FileSource(paths)), 0.25, rtol=5e-4)

    @pytest.mark.parametrize("profile", SPACES)
    def test_ratios_between_frames_are_exact(self, tmp_path, profile):
        settings = ReadSettings(white_balance="1,1,1", raw_profile=profile)
        levels = (0.2, 0.4, 0.7)
        paths = []
        for i, level in enumerate(levels):
            flat = np.full(SHAPE, BLACK + round(level * (WHITE - BLACK)), np.uint16)
            flat[:8] += RNG.integers(0, 9, (8, SHAPE[1]), dtype=np.uint16)
            flat[-8:] += RNG.integers(0, 9, (8, SHAPE[1]), dtype=np.uint16)
            paths.append(write_dng(tmp_path / f"f{i}.dng", flat))
        source = FileSource(paths, settings)
        exact = [round(v * (WHITE - BLACK)) for v in levels]
        # The middle of the frames, where the demosaic sees one value only.
        table = transfer_table(source.infos[0].icc_profile, 3).table
        light = [table[1][source.read(i)[20:-20, 20:-20, 1]].mean() for i in range(3)]
        assert light[1] / light[0] == pytest.approx(exact[1] / exact[0], rel=1e-4)
        assert light[2] / light[0] == pytest.approx(exact[2] / exact[0], rel=1e-4)

    def test_a_bright_patch_changes_nothing_elsewhere(self, tmp_path):
        plain, patched = mosaic(0.3), mosaic(0.3)
        patched[:10, :10] = WHITE
        patched[-2:] = plain[-2:] = mosaic(0.3, noise=3.0)[-2:]
        one = write_dng(tmp_path / "a.dng", plain)
        two = write_dng(tmp_path / "b.dng", patched)
        source = FileSource([one, two])
        first, second = source.read(0), source.read(1)
        np.testing.assert_array_equal(first[30:, 30:], second[30:, 30:])

    def test_one_white_balance_for_all_from_the_middle_frame(self, tmp_path):
        neutrals = [(0.5, 1, 0.625), (0.5, 1, 0.8), (0.4, 1, 0.5)]
        paths = [
            write_dng(tmp_path / f"f{i}.dng", mosaic(0.25, noise=1.0), neutral=n)
            for i, n in enumerate(neutrals)
        ]
        source = FileSource(paths)
        light = [light_of(source, i) for i in range(3)]
        np.testing.assert_allclose(light[0], light[1], rtol=1e-3)
        np.testing.assert_allclose(light[2], light[1], rtol=1e-3)
        # Red is doubled by a neutral of 0.5, blue is 1 / 0.8.
        np.testing.assert_allclose(light[1] / light[1][1], [2, 1, 1.25], rtol=2e-3)
        assert "the camera's (2.000, 1.000, 1.250)" in source.infos[0].notes[-1]

    def test_multipliers_as_given(self, tmp_path):
        source = self.bracket(tmp_path, settings=ReadSettings(white_balance="1,1,2"))
        light = light_of(source)
        np.testing.assert_allclose(light / light[0], [1, 1, 2], rtol=2e-3)

    def test_levels_of_one_frame_serve_all(self, tmp_path):
        # Another white level in one frame must not make it brighter than the rest.
        paths = [
            write_dng(tmp_path / f"f{i}.dng", mosaic(0.25, noise=1.0)) for i in range(3)
        ]
        with tifffile.TiffFile(paths[0], mode="r+") as tif:
            tif.pages.first.tags[50717].overwrite(15_000)
        source = FileSource(paths)
        np.testing.assert_allclose(light_of(source, 0), light_of(source, 1), rtol=1e-3)

    @pytest.mark.parametrize("profile", ["adobe-rgb-compatible", "prophoto-compatible"])
    def test_other_profiles_mean_the_same_colours(self, tmp_path, profile):
        white = "2,1,1.5"
        narrow = self.bracket(tmp_path, settings=ReadSettings(white_balance=white))
        wide = FileSource(
            [i.name for i in narrow.infos],
            ReadSettings(white_balance=white, raw_profile=profile),
        )
        assert wide.infos[0].icc_profile == named_profile(profile)
        back = imagecodecs.cms_transform(
            wide.read(0),
            named_profile(profile),
            named_profile("srgb"),
            colorspace="rgb",
            outcolorspace="rgb",
        )
        # LibRaw's matrices have other last digits than the profiles.
        np.testing.assert_allclose(back.astype(int), narrow.read(0), atol=130)

    def test_a_profile_from_a_file(self, tmp_path):
        path = tmp_path / "mine.icc"
        path.write_bytes(imagecodecs.cms_profile("adobergb"))
        named = self.bracket(
            tmp_path, settings=ReadSettings(raw_profile="adobe-rgb-compatible")
        )
        paths = [i.name for i in named.infos]
        source = FileSource(paths, ReadSettings(raw_profile=str(path)))
        assert source.infos[0].icc_profile == path.read_bytes()
        np.testing.assert_allclose(source.read(0).astype(int), named.read(0), atol=130)

    @pytest.mark.parametrize("orientation", [1, 3, 6, 8])
    def test_orientation_is_applied_once(self, tmp_path, orientation):
        samples = mosaic(0.1, noise=2.0)
        samples[:20, :20] = WHITE
        upright = FileSource(
            [write_dng(tmp_path / f"u{i}.dng", samples) for i in (0, 1)]
        )
        turned = FileSource(
            [
                write_dng(tmp_path / f"t{i}.dng", samples, orientation=orientation)
                for i in (0, 1)
            ]
        )
        turns = {1: 0, 3: 2, 6: -1, 8: 1}[orientation]
        expected = np.rot90(upright.read(0), turns)
        np.testing.assert_array_equal(turned.read(0), expected)
        info = turned.infos[0]
        assert (info.height, info.width) == expected.shape[:2]

    def test_facts_and_metadata(self, tmp_path):
        more = [(36867, 2, 20, "2026:05:01 10:11:12", True)]
        source = self.bracket(tmp_path, more=more)
        info = source.infos[0]
        assert (info.n_channels, info.bit_depth) == (3, 16)
        assert info.captured == datetime(2026, 5, 1, 10, 11, 12)
        metadata = source.metadata(0)
        assert metadata.icc_profile == info.icc_profile
        assert any(e.code == 272 and e.text() == "Model" for e in metadata.main)

    def test_a_folder_of_raw_files_is_found(self, tmp_path):
        self.bracket(tmp_path)
        assert [p.name for p in find_frames([tmp_path])] == ["f0.dng", "f1.dng"]

    def test_a_dng_by_any_name_is_raw(self, tmp_path):
        paths = [
            write_dng(tmp_path / f"f{i}.tif", mosaic(0.2, noise=1.0)) for i in range(2)
        ]
        assert FileSource(paths).read(0).shape == (*SHAPE, 3)

    def test_names_that_are_not_text(self, tmp_path):
        names = [Path(os.fsdecode(b"\xff%d.dng" % i)) for i in range(2)]
        paths = [write_dng(tmp_path / n, mosaic(0.2, noise=1.0)) for n in names]
        assert FileSource(paths).read(1).shape == (*SHAPE, 3)

    @pytest.mark.parametrize("part", [0.0, 0.002, 0.05, 0.5, 0.9])
    @pytest.mark.parametrize("fill", [b"", b"\0"], ids=["truncated", "zeros"])
    def test_unfinished_copies_are_refused(self, tmp_path, part, fill):
        whole = write_dng(tmp_path / "a.dng", mosaic(0.2, noise=3.0))
        data = whole.read_bytes()
        kept = int(part * len(data))
        path = tmp_path / "b.dng"
        path.write_bytes(data[:kept] + fill * (len(data) - kept))

        def read_all():
            source = FileSource([whole, path])
            return source.read(1)

        with pytest.raises(FrameReadError, match=r"b\.dng: ") as caught:
            read_all()
        assert "\n" not in str(caught.value)

    def test_what_libraw_does_not_know_is_refused_in_words(self, tmp_path):
        path = tmp_path / "a.nef"
        path.write_bytes(b"no raw file at all" * 100)
        with pytest.raises(FrameReadError, match="convert it to DNG or TIFF"):
            read_header_of(path)

    def test_a_declared_size_beyond_the_limit(self, tmp_path):
        settings = ReadSettings(max_pixels=SHAPE[0] * SHAPE[1] - 1)
        with pytest.raises(FrameReadError, match="more than the limit"):
            self.bracket(tmp_path, settings=settings)

    def test_raw_and_tiff_do_not_mix(self, tmp_path):
        dng = write_dng(tmp_path / "a.dng", mosaic(0.2, noise=1.0))
        tif = tmp_path / "b.tif"
        tifffile.imwrite(
            tif, np.zeros((*SHAPE, 3), np.uint16), photometric="rgb", metadata=None
        )
        with pytest.raises(BracketError, match="no colour profile"):
            FileSource([dng, tif])

    @pytest.mark.parametrize("shape", [(60, 84), (61, 85)])
    def test_a_look_lies_on_the_same_grid(self, tmp_path, shape):
        rows = np.linspace(0.1, 0.4, shape[0])[:, None]
        columns = np.linspace(0.1, 0.4, shape[1])
        samples = np.rint(BLACK + (rows + columns) * (WHITE - BLACK)).astype(np.uint16)
        source = FileSource(
            [write_dng(tmp_path / f"f{i}.dng", samples, orientation=6) for i in (0, 1)]
        )
        look, whole = source.view(0), source.read(0)
        assert look.shape == whole.shape == (shape[1], shape[0], 3)
        assert look.flags.c_contiguous
        # Half a pixel off would be 200 codes.
        inner = (slice(8, -8), slice(8, -8), 1)
        difference = look[inner].astype(int) - whole[inner]
        assert abs(difference.mean()) < 20

    @exiftool
    def test_the_master_of_a_dng(self, tmp_path):
        more = [(36867, 2, 20, "2026:05:01 10:11:12", True)]
        settings = ReadSettings(raw_profile="prophoto-compatible")
        source = self.bracket(tmp_path, settings=settings, orientation=6, more=more)
        merge = Merge(
            frames=("f0.dng", "f1.dng"),
            software="stacker 0.0",
            settings_digest="01",
            when=datetime(2026, 5, 2, tzinfo=UTC),
        )
        with Results(tmp_path / "m.tif") as results:
            results.write_master(source.read(0), source.metadata(0), merge)
            results.commit()
        answer = subprocess.run(
            ["exiftool", "-j", "-G1", "-n", str(tmp_path / "m.tif")],  # noqa: S607
            capture_output=True,
            encoding="utf-8",
            check=True,
        )
        (seen,) = json.loads(answer.stdout)
        assert seen["IFD0:Orientation"] == 1
        assert seen["IFD0:Make"] == "Maker"
        assert seen["ExifIFD:DateTimeOriginal"] == "2026:05:01 10:11:12"
        assert seen["ICC_Profile:ProfileDescription"] == "compatible with ProPhoto RGB"
        assert (seen["IFD0:ImageWidth"], seen["IFD0:ImageHeight"]) == (60, 84)
        assert not [k for k in seen if k.endswith((":Warning", ":Error"))]


def read_header_of(path):
    from stacker.files.header import read_header

    return read_header(path, max_pixels=10**6)
