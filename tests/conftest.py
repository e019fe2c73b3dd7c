"""Fixtures that several test files share."""

import pytest


@pytest.fixture(scope="session")
def sample():
    """The sample bracket with its truth."""
    from benchmarks.brackets import sample_bracket

    return sample_bracket()


@pytest.fixture(scope="session")
def fused_sample(sample):
    """The sample fused with default settings, on the truth's reference frame."""
    from benchmarks.quality import fuse_bracket_in_memory

    return fuse_bracket_in_memory(sample)
