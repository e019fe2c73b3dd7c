"""Fixtures that several test files share."""

from pathlib import Path

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


@pytest.fixture(scope="session")
def shelf(tmp_path_factory):
    """The sample fused from its files: the master's path. What is changed is taken back."""
    import stacker

    master = tmp_path_factory.mktemp("shelf") / "shelf.tif"
    stacker.fuse_bracket([Path(__file__).parents[1] / "sample_data"], master)
    return master
