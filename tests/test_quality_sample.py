"""The sample against its exact truth, with skimage's metrics and OpenCV's fusion.

Thresholds are floors of the project's own goals, not what happens to come out: a fusion
that fails here would be seen as soft, noisy, ringing or off colour at 100 %.
"""

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab
from skimage.metrics import peak_signal_noise_ratio, structural_similarity

from benchmarks.baselines import merge_mertens
from benchmarks.measure import (
    corner_error_px,
    score_depth,
    score_picture,
    score_transforms,
)
from benchmarks.quality import aligned_as_found

MARGIN = (
    slice(36, -36),
    slice(36, -36),
)  # the reference sees a little more than others
SIZE = (720, 480)


@pytest.fixture(scope="module")
def picture(fused_sample):
    return fused_sample.picture.astype(np.float32) / np.float32(65535)


@pytest.fixture(scope="module")
def scores(sample, picture):
    one = sample.frames[sample.reference].astype(np.float32) / np.float32(65535)
    return score_picture(picture, sample.truth, one)


def test_psnr_and_ssim_against_the_truth(sample, picture):
    truth = sample.truth.picture
    a, b = truth[MARGIN], picture[MARGIN]
    assert peak_signal_noise_ratio(a, b, data_range=1) >= 35.5
    assert (
        structural_similarity(
            a, b, channel_axis=-1, gaussian_weights=True, sigma=1.5,
            use_sample_covariance=False, data_range=1,
        )
        >= 0.97
    )  # fmt: skip


def test_better_than_exposure_fusion_by_four_decibels(sample, fused_sample, picture):
    # Mertens, Kautz, Van Reeth 2007, contrast weight, on the very same aligned frames
    theirs = merge_mertens(aligned_as_found(sample, fused_sample))
    truth = sample.truth.picture[MARGIN]

    def psnr(fused):
        return peak_signal_noise_ratio(truth, fused[MARGIN], data_range=1)

    assert psnr(picture) >= psnr(theirs) + 4


def test_better_than_any_single_frame(sample, picture):
    truth = sample.truth.picture[MARGIN]
    reference = sample.frames[sample.reference][MARGIN] / np.float32(65535)
    fused = peak_signal_noise_ratio(truth, picture[MARGIN], data_range=1)
    assert fused >= peak_signal_noise_ratio(truth, reference, data_range=1) + 8


@pytest.mark.parametrize(
    ("figure", "least"),
    [("psnr_all", 35.5), ("psnr_edge", 33.4), ("psnr_flat", 47.5), ("ssim", 0.976)],
)
def test_goals_to_reach(scores, figure, least):
    assert scores[figure] >= least


@pytest.mark.parametrize(
    ("figure", "most"), [("delta_e", 0.26), ("overshoot", 0.3), ("noise_gain", 0.72)]
)
def test_goals_to_stay_below(scores, figure, most):
    assert scores[figure] <= most


def test_depth_is_right_and_runs_the_right_way(sample, fused_sample):
    figures = score_depth(fused_sample.depth_in_frames(), sample.truth)
    assert figures["depth_mae"] <= 0.035
    assert figures["depth_p95"] <= 0.25


def test_confidence_is_higher_where_the_depth_is_right(sample, fused_sample):
    truth = sample.truth
    error = np.abs(fused_sample.depth_in_frames() - truth.depth)
    known = truth.inside & ~truth.edge
    sure = known & (fused_sample.confidence >= 200)
    unsure = known & (fused_sample.confidence < 60)
    assert sure.sum() > 0.2 * known.sum()
    assert np.percentile(error[sure], 90) < 0.5 * np.percentile(error[unsure], 90)


def test_coverage_names_a_frame_near_the_depth(sample, fused_sample):
    off = np.abs(fused_sample.coverage.astype(float) - sample.truth.depth)
    assert np.median(off[sample.truth.solid]) <= 0.5
    assert np.percentile(off[sample.truth.solid], 90) <= 1.0
    shares = [f.share for f in fused_sample.frames]
    assert sum(shares) == pytest.approx(1, abs=1e-3)
    for k, share in enumerate(shares):
        assert share == pytest.approx((fused_sample.coverage == k).mean(), abs=1e-3)


def test_registration_against_the_known_geometry(sample, fused_sample):
    found = [f.transform for f in fused_sample.frames]
    figures = score_transforms(found, sample.transforms, SIZE)
    # frames here differ by true parallax as well: no one transform fits all depths
    assert figures["align_px"] <= 0.15
    reference = found[sample.reference]
    assert corner_error_px(reference, np.eye(3), SIZE) < 1e-9


def test_light_against_the_known_gains(sample, fused_sample):
    relative = sample.gains / sample.gains[sample.reference]
    for record, gain in zip(fused_sample.frames, relative, strict=True):
        assert record.gain_ev == pytest.approx([-np.log2(gain)] * 3, abs=0.01)


def test_colour_of_patches_stays_that_of_the_reference(sample, picture):
    """A patch's mean moves by less than 0.3 CIEDE2000 from the reference frame's."""
    reference = sample.frames[sample.reference] / np.float32(65535)
    side, patches = 24, []
    for top in range(36, 480 - 36 - side, side):
        for left in range(36, 720 - 36 - side, side):
            box = (slice(top, top + side), slice(left, left + side))
            means = [p[box].mean((0, 1)) for p in (picture, reference)]
            truth = sample.truth.picture[box].mean((0, 1))
            patches.append((*means, truth))
    ours, theirs, truth = (
        rgb2lab(np.array(p)[None]) for p in zip(*patches, strict=True)
    )
    # where the reference is out of focus its patch holds its neighbours' colour too
    clean = deltaE_ciede2000(theirs, truth) < 0.1
    assert clean.sum() > 40
    assert deltaE_ciede2000(ours, theirs)[clean].max() < 0.3
