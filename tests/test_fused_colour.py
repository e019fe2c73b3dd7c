"""Colour passes through: the mean of a patch is the reference frame's."""

import cv2
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from benchmarks.brackets import srgb_encode
from stacker.compute import fuse_frames
from stacker.settings import AlignSettings, FuseSettings

FULL_SCALE = 65535
SIDE, ROWS, COLUMNS = 48, 3, 5
RIM = 13  # blur of frames far off reaches so far across the patches
# five times what differs from flash to flash (common practice: 1 to 2 %), in colour too
LIGHTS = np.array([[1, 1, 1], [1.1, 1.08, 1.04], [0.9, 0.92, 0.95], [1.03, 1.0, 1.07]])


@pytest.fixture(scope="module")
def chart():
    """Grained patches in linear light, each frame sharp in one column band."""
    rng = np.random.default_rng(41)
    patches = rng.uniform(0.03, 0.6, (ROWS, COLUMNS, 3))
    flat = np.kron(patches, np.ones((SIDE, SIDE, 1)))
    grain = cv2.GaussianBlur(rng.standard_normal(flat.shape[:2]), (0, 0), 0.8)
    sharp = flat * (1 + 0.3 * grain[..., None])
    place = np.linspace(0, len(LIGHTS) - 1, flat.shape[1])[None, :, None]
    frames = []
    for k, light in enumerate(LIGHTS):
        off = np.abs(place - k)
        blurred = [
            cv2.GaussianBlur(sharp, (0, 0), 1.2 * i) if i else sharp for i in range(4)
        ]
        image = sum(
            b * np.maximum(1 - np.abs(off - i), 0) for i, b in enumerate(blurred)
        )
        image = image * light + 0.001 * rng.standard_normal(image.shape)
        seen = srgb_encode(np.clip(image, 0, 1).astype(np.float32))
        frames.append(np.round(seen * FULL_SCALE).astype(np.uint16))
    return frames


def patch_means(picture):
    """Lab of each patch's mean in linear light, its rim left out (CIE 15)."""
    code = picture.astype(float) / FULL_SCALE
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    parts = linear.reshape(ROWS, SIDE, COLUMNS, SIDE, 3)[:, RIM:-RIM, :, RIM:-RIM]
    mean = parts.mean(axis=(1, 3))
    return rgb2lab(srgb_encode(mean.astype(np.float32)))


@pytest.mark.parametrize("reference", [0, 1, 2])
def test_patches_keep_the_colour_of_the_reference_frame(chart, reference):
    align = AlignSettings(reference=reference, enabled=False)
    fused = patch_means(fuse_frames(chart, FuseSettings(align=align)).picture)
    wanted = patch_means(chart[reference])
    # CIEDE2000: Sharma, Wu & Dalal 2005, as scikit-image has it
    off = deltaE_ciede2000(fused, wanted)
    assert off.max() < 0.3
    others = [
        deltaE_ciede2000(patch_means(f), wanted).max()
        for k, f in enumerate(chart)
        if k != reference
    ]
    assert min(others) > 1  # there was something to put right
