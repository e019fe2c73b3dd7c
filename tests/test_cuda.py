"""A graphics card gives what the processor gives; whole-array arithmetic does so anywhere."""

import json
import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest

from stacker import compute
from stacker.arrays import blending, energy, picturing, weights
from stacker.arrays.card import CardPasses, tile_for
from stacker.arrays.passes import ArrayPasses
from stacker.cli import main
from stacker.compute import fuse_frames
from stacker.errors import InputError
from stacker.fusion import Unused
from stacker.settings import AlignSettings, FuseSettings
from tests.test_oracles import (
    GEOMETRIES,
    SIZES,
    made_focus,
    made_frame,
    made_maps,
    made_transforms,
    made_unused,
)


@pytest.fixture(scope="module")
def card():
    """The card at hand; tests that ask for it are skipped where there is none."""
    try:
        return CardPasses()
    except InputError as err:
        pytest.skip(str(err))


REFERENCE = ArrayPasses(np)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("shape", [*SIZES, (301, 517)])
def test_card_energy(card, shape, channels, dtype):
    raw = made_frame(shape, channels, dtype)
    wanted = energy.half_energy(np, raw)
    for found, theirs in zip(card.half_energy(card.upload(raw)), wanted, strict=True):
        np.testing.assert_allclose(card.download(found), theirs, atol=5e-6)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("shape", [(70, 131), (129, 66), (5, 9), (1, 2)])
def test_card_adds_frames(card, shape, channels, dtype):
    focus = made_focus(shape, 4)
    frame = made_frame(shape, channels, dtype)
    curves = np.repeat(np.linspace(0, 1, 65536, dtype=np.float32)[None], channels, 0)
    flat = shape[0], shape[1] * channels
    for to_frame in GEOMETRIES.values():
        half_weights = weights.weight_of(np, 1, focus)
        wanted = blending.Sums.none(np, flat)
        found = blending.Sums.none(card.xp, flat)
        REFERENCE.add_frame(wanted, frame, to_frame, curves, half_weights)
        on_card = (card.upload(a) for a in (curves, half_weights))
        card.add_frame(found, card.upload(frame), to_frame, *on_card)
        total, low, high = (card.download(a) for a in found)
        np.testing.assert_allclose(total, wanted.total, atol=2e-4)
        assert np.abs(low.astype(int) - wanted.low).max() <= 1
        assert np.abs(high.astype(int) - wanted.high).max() <= 1


@pytest.mark.parametrize("shape", SIZES)
def test_card_smooths(card, shape):
    rng = np.random.default_rng(11)
    image = rng.uniform(0, 1, shape).astype(np.float32)
    on_card = card.upload(image)
    for name, args in (("gaussian_blur", (1.0,)), ("median_5x5", ())):
        found = card.download(getattr(card, name)(on_card, *args))
        wanted = getattr(REFERENCE, name)(image, *args)
        np.testing.assert_allclose(found, wanted, atol=2e-6)


def test_card_finds_peaks_and_maps(card):
    shape, n = (63, 81), 7
    maps = made_maps(shape, n)
    floor = np.full(shape, 5e-5, np.float32)
    answers = []
    for passes in (REFERENCE, card):
        running = passes.peaks(shape)
        for pair in maps:
            running.add(*(passes.upload(m) for m in pair))
        index, height = running.finish(passes.upload(floor))
        found = passes.downloaded(passes.focus_maps(index, height, n))
        answers.append((passes.download(index), passes.download(height), found))
    (index, height, wanted), (index_card, height_card, found) = answers
    same = np.abs(index_card - index) < 1e-3
    assert same.mean() > 0.999
    np.testing.assert_allclose(height_card, height, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(found.certainty, wanted.certainty, atol=1e-4)
    assert (np.abs(found.fill - wanted.fill) < 1e-3).mean() > 0.99


def test_card_warps_reduces_and_weighs(card):
    rng = np.random.default_rng(4)
    image = rng.uniform(0, 1, (61, 83)).astype(np.float32)
    for matrix in GEOMETRIES.values():
        for outside in (None, -1.0):
            wanted, found = (
                p.download(p.warped([p.upload(image)], matrix, (57, 90), outside=outside)[0])
                for p in (REFERENCE, card)
            )  # fmt: skip
            np.testing.assert_allclose(found, wanted, atol=1e-5)
    n, shape = 5, (130, 71)
    focus, to_frames = made_focus(shape, n), list(made_transforms(n))
    on_card = weights.FocalWeights(*(card.upload(m) for m in focus))
    for unused in (Unused(), made_unused(shape, n)):
        wanted = weights.weight_sums(np, focus, to_frames, shape, 1, unused)
        found = weights.weight_sums(card.xp, on_card, to_frames, shape, 1, unused)
        apart = np.abs(card.download(found.inverse) - wanted.inverse)
        assert (apart < 1e-4).mean() > 0.999
        assert (card.download(found.owner) == wanted.owner).mean() > 0.999
        assert found.has_weight == wanted.has_weight
        for k in range(n):
            args = to_frames[k], shape, unused
            theirs = weights.frame_weights(np, k, focus, wanted, *args)
            ours = weights.frame_weights(card.xp, k, on_card, found, *args)
            assert (np.abs(card.download(ours) - theirs) < 1e-4).mean() > 0.999


@pytest.fixture(scope="module")
def brackets(sample):
    """Brackets in colour and grey, 8 and 16 bits, of odd sizes."""
    colour = [f[100:397, 60:461] for f in sample.frames[:5]]
    grey = [(f[:211, 200:399, 1] >> 8).astype(np.uint8) for f in sample.frames[2:6]]
    return {"colour": colour, "grey": grey}


@pytest.fixture(params=["numpy", "cuda"])
def elsewhere(request, monkeypatch):
    """Settings that send the work elsewhere: to a card, or to NumPy in its place."""
    monkeypatch.setattr(picturing, "STRIP_ROWS", 37)
    if request.param == "numpy":
        monkeypatch.setattr(compute, "_passes", lambda *_: ArrayPasses(np))
    else:
        request.getfixturevalue("card")
    return "cuda"


@pytest.mark.parametrize("reference", ["auto", "last"])
@pytest.mark.parametrize("kind", ["colour", "grey"])
def test_a_fusion_elsewhere_is_that_of_the_processor(
    brackets, kind, reference, elsewhere, request, monkeypatch
):
    frames = brackets[kind]
    align = AlignSettings(reference=reference)
    found = fuse_frames(frames, FuseSettings(align=align, device=elsewhere))
    monkeypatch.undo()
    wanted = fuse_frames(frames, FuseSettings(align=align))
    assert found.picture.shape == wanted.picture.shape
    apart = np.abs(found.picture.astype(int) - wanted.picture)
    # The processor takes phases of resampling from a table, to 1/4096 px.
    assert np.quantile(apart, 0.95) <= 4
    assert (apart > 2 * 257).mean() < 1e-3
    depth = np.abs(found.depth.astype(int) - wanted.depth)
    assert (depth <= 7).mean() > 0.999
    assert (found.coverage == wanted.coverage).mean() > 0.999
    assert np.abs(found.confidence.astype(int) - wanted.confidence).max() <= 2
    for ours, theirs in zip(found.frames, wanted.frames, strict=True):
        np.testing.assert_allclose(ours.transform, theirs.transform, atol=1e-4)
        np.testing.assert_allclose(ours.gain_ev, theirs.gain_ev, atol=1e-5)


def test_the_benchmark_runs(card, tmp_path):
    from benchmarks import cuda

    record = tmp_path / "cuda.json"
    size = ["--megapixels", "0.3", "--frames", "3"]
    cuda.main([*size, "--compare", "--json", str(record)])
    told = json.loads(record.read_text())
    assert told["device_ms"] > 0
    assert told["upload_ms"] > 0
    assert told["compared"]["coverage_equal"] > 0.99


def test_tiles_hold_the_columns_that_their_corners_see():
    for to_frame in GEOMETRIES.values():
        rows, n_columns = tile_for(to_frame, (131, 257, 3)) or (0, 0)
        assert rows == 16
        assert 64 + 8 <= n_columns < 64 + 20
    squeezed = np.diag([5.0, 5.0, 1.0])
    rows, n_columns = tile_for(squeezed, (131, 257, 3)) or (0, 0)
    assert 0 < rows < 16
    assert n_columns > 5 * 64
    assert tile_for(np.diag([200.0, 200.0, 1.0]), (131, 257, 3)) is None


def test_without_cupy_one_line_says_so(monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", None)
    frames = [np.zeros((9, 12), np.uint8)] * 2
    with pytest.raises(InputError) as err:
        fuse_frames(frames, FuseSettings(device="cuda"))
    assert "CuPy is not installed: pip install 'stacker[cuda]'" in str(err.value)
    assert "\n" not in str(err.value)


def test_without_a_card_one_line_says_so_and_nothing_is_written(
    monkeypatch, tmp_path, capsys, sample
):
    class Runtime:
        def getDeviceCount(self):  # noqa: N802  CuPy's own name
            msg = "cudaErrorNoDevice: no CUDA-capable device is detected\nat line 1"
            raise RuntimeError(msg)

    class Cupy:
        class cuda:  # noqa: N801  CuPy's own name
            runtime = Runtime()

    monkeypatch.setitem(sys.modules, "cupy", Cupy())
    from pathlib import Path

    folder = Path(__file__).parents[1] / "sample_data"
    out = tmp_path / "out.tif"
    with pytest.raises(SystemExit) as status:
        main(["fuse", str(folder), "-o", str(out), "--device", "cuda", "-q"])
    assert status.value.code == 1
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1
    assert "no graphics card found (cudaErrorNoDevice" in lines[0]
    assert list(tmp_path.iterdir()) == []


def test_a_card_that_fails_says_so_in_one_line():
    class CardError(Exception):
        pass

    class OtherError(Exception):
        pass

    names = [
        *("memory.OutOfMemoryError", "runtime.CUDARuntimeError"),
        *("driver.CUDADriverError", "compiler.CompileException"),
    ]
    cupy = SimpleNamespace(cuda=SimpleNamespace())
    for name in names:
        room, kind = name.split(".")
        setattr(cupy.cuda, room, SimpleNamespace(**{kind: CardError}))
    passes = CardPasses.__new__(CardPasses)
    passes.xp = cupy
    with pytest.raises(InputError) as err, passes.errors():
        raise CardError("Out of memory allocating 1,000 bytes\nand more")
    assert "(Out of memory allocating 1,000 bytes)" in str(err.value)
    assert "\n" not in str(err.value)
    with pytest.raises(OtherError), passes.errors():
        raise OtherError


def test_the_processor_needs_nothing_of_it():
    code = (
        "import numpy as np, sys; from stacker.compute import fuse_frames\n"
        "a = np.random.default_rng(1).integers(0, 255, (2, 40, 60), dtype=np.uint8)\n"
        "fuse_frames(list(a[[0, 0]]))\n"
        "assert not [m for m in sys.modules if 'cupy' in m or 'stacker.arrays' in m]\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
