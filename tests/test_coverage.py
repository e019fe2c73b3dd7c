"""Shares of frames, over the whole master and over the grid."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from stacker.coverage import coverage_cells, frame_shares
from stacker.errors import InputError

LABELS = hnp.arrays(
    np.uint8,
    st.tuples(st.integers(1, 40), st.integers(1, 60)),
    elements=st.integers(0, 6),
)


@given(LABELS)
@settings(max_examples=60, deadline=None)
def test_shares_are_counts_and_sum_to_one(labels):
    """A program that adds up the shares must arrive at the whole picture."""
    shares = frame_shares(labels, 7)
    expected = [float(np.mean(labels == k)) for k in range(7)]
    np.testing.assert_allclose(shares, expected, rtol=1e-12)
    assert sum(shares) == pytest.approx(1, abs=1e-12)


@given(LABELS)
@settings(max_examples=60, deadline=None)
def test_cells_cover_every_pixel_once_and_agree_with_the_whole(labels):
    """No pixel may be left out of the grid, and none counted twice."""
    seen = np.zeros(labels.shape, int)
    totals = np.zeros(7)
    for cell in coverage_cells(labels, 7):
        b = cell.box
        part = labels[b.row : b.row + b.height, b.column : b.column + b.width]
        seen[b.row : b.row + b.height, b.column : b.column + b.width] += 1
        shares = [s.share for s in cell.frames]
        assert shares == sorted(shares, reverse=True)
        assert sum(shares) == pytest.approx(1)
        for s in cell.frames:
            assert s.share == pytest.approx(np.mean(part == s.frame))
            totals[s.frame] += s.share * part.size
    assert (seen == 1).all()
    np.testing.assert_allclose(totals / labels.size, frame_shares(labels, 7), atol=1e-9)


@pytest.mark.parametrize(
    ("shape", "grid"),
    [
        ((480, 720), (8, 12)),
        ((720, 480), (12, 8)),
        ((874, 1166), (8, 11)),
        ((400, 4001), (8, 24)),
        ((7, 13), (7, 13)),
        ((1, 50), (1, 24)),
    ],
)
def test_grid_is_fine_enough_for_any_shape(shape, grid):
    """At least 8 cells each way wherever there are as many pixels."""
    cells = coverage_cells(np.zeros(shape, np.uint8), 2)
    assert (cells[-1].row + 1, cells[-1].column + 1) == grid
    assert len(cells) == grid[0] * grid[1]


def test_more_than_256_frames():
    """Labels are uint16 from 256 frames on; none may wrap."""
    labels = np.full((9, 31), 299, np.uint16)
    assert frame_shares(labels, 300)[299] == 1
    assert coverage_cells(labels, 300)[0].frames[0].frame == 299


def test_large_maps_are_counted_in_bands():
    """More than one band: the shares must not be those of the last one."""
    labels = np.zeros((1100, 2000), np.uint8)
    labels[:275] = 1
    assert frame_shares(labels, 2) == (0.75, 0.25)


def test_the_label_map_is_not_changed():
    labels = np.arange(35, dtype=np.uint8).reshape(5, 7)
    labels.setflags(write=False)
    frame_shares(labels, 35)
    coverage_cells(labels[:, ::2], 35)


@pytest.mark.parametrize(
    ("labels", "message"),
    [
        (np.full((3, 5), 4, np.uint8), "names frame 4 of 4 frames"),
        (np.zeros((3, 5, 3), np.uint8), "expected uint8 or uint16"),
        (np.zeros((3, 5), np.float32), "label map is float32"),
        (np.zeros((0, 5), np.uint8), "expected uint8 or uint16"),
    ],
)
def test_refuses_what_is_no_label_map(labels, message):
    with pytest.raises(InputError, match=message):
        frame_shares(labels, 4)
    with pytest.raises(InputError, match=message):
        coverage_cells(labels, 4)
