"""Noise is measured from the bracket: against exposures whose photons were counted."""

import numpy as np
import pytest

from benchmarks.brackets import (
    FULL_WELL_ELECTRONS,
    READ_NOISE_ELECTRONS,
    expose,
    srgb_decode,
    srgb_encode,
)
from benchmarks.drawing import cloud
from stacker.compute import fuse_frames
from stacker.light import srgb_transfer
from stacker.settings import AlignSettings, FuseSettings
from stacker.sharpness import NoiseModel, laplacian_energy

SHAPE = (403, 601)
LUMA_WEIGHTS = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709


def frames_of(kind):
    """Grey light from dark to bright, textured to the right of the middle."""
    rng = np.random.default_rng(51)
    light = np.tile(np.linspace(0.02, 0.7, SHAPE[0])[:, None], (1, SHAPE[1]))
    texture = np.exp(0.3 * cloud(SHAPE, rng, 0.6))
    is_textured = np.arange(SHAPE[1]) > SHAPE[1] // 2
    light = np.where(is_textured, light * texture, light)
    linear = np.repeat(light[..., None], 3, axis=2).astype(np.float32)
    top = np.iinfo(kind).max
    for k in range(4):
        seen = srgb_encode(expose(linear, np.random.default_rng(k), 1.0, clip=True))
        yield np.round(seen * top).astype(kind)


def true_sigma(luma):
    """Standard deviation of encoded luma from photons and reading."""
    light = float(srgb_decode(np.array(luma, np.float32)))
    d = 1e-3
    near = srgb_encode(np.array([light, light + d], np.float32))
    slope = float(near[1] - near[0])
    variance = (light * FULL_WELL_ELECTRONS + READ_NOISE_ELECTRONS**2) * (
        slope / d / FULL_WELL_ELECTRONS
    ) ** 2
    return float(np.sqrt(variance * (LUMA_WEIGHTS**2).sum()))


@pytest.mark.parametrize("kind", [np.uint16, np.uint8])
def test_noise_by_brightness_is_that_of_the_sensor(kind):
    model = NoiseModel()
    for frame in frames_of(kind):
        model.add(*laplacian_energy(frame))
    floor = model.finish(srgb_transfer(3))
    rounding = (LUMA_WEIGHTS**2).sum() / 12 if kind == np.uint8 else 0.0
    for luma in (0.25, 0.4, 0.6, 0.8):
        expected = np.hypot(true_sigma(luma), np.sqrt(rounding) / 255)
        assert floor.sigma(luma) == pytest.approx(expected, rel=0.12)


def test_frames_that_agree_are_averaged():
    """Of four frames of an even surface the picture has less than 0.7 of one's noise."""
    frames = list(frames_of(np.uint16))
    settings = FuseSettings(align=AlignSettings(enabled=False))
    picture = fuse_frames(frames, settings).picture
    calm = np.s_[40:-40, 20 : SHAPE[1] // 2 - 40]

    def fine(image):
        part = image[calm].astype(float)
        return np.std(np.diff(part, axis=1))

    assert fine(picture) < 0.7 * fine(frames[1])
