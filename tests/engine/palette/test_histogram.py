"""The histogram against numpy's own counting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.engine.open_pictures import PHOTOGRAPHS, photograph
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.palette.histogram import histogram_of


@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_bins_counts_and_means(name: str) -> None:
    srgb = photograph(name)
    found = histogram_of(srgb)
    flat = srgb.reshape(-1, 3).astype(np.int64)
    keys = (flat[:, 0] >> 3) * 1024 + (flat[:, 1] >> 3) * 32 + (flat[:, 2] >> 3)
    bins, inverse, counts = np.unique(keys, return_inverse=True, return_counts=True)
    assert found.bins.tolist() == bins.tolist()
    assert found.counts.tolist() == counts.tolist()
    means = np.stack([np.bincount(inverse, flat[:, i]) / counts for i in range(3)], axis=1)
    np.testing.assert_allclose(found.mean_srgb, means, atol=1e-9)
    np.testing.assert_allclose(found.lab, srgb_to_lab(means), atol=1e-9)
    assert found.pixels == flat.shape[0]


sides = st.integers(1, 20)


@given(st.integers(0, 2**32 - 1), sides, sides, st.sampled_from([2, 3, 7]))
@settings(max_examples=40, deadline=None)
def test_groups_and_threads(seed: int, height: int, width: int, threads: int) -> None:
    """Only the pixels of the group count, and threads change nothing."""
    rng = np.random.default_rng(seed)
    srgb = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    groups = rng.integers(0, 3, (height, width), dtype=np.uint8)
    found = histogram_of(srgb, groups=groups, group=1, threads=threads)
    chosen = np.ascontiguousarray(srgb[groups == 1][None])
    wanted = histogram_of(chosen)
    for name in ("bins", "counts", "mean_srgb", "lab"):
        assert getattr(found, name).tobytes() == getattr(wanted, name).tobytes()


def test_the_largest_sums_fit() -> None:
    """16 million white pixels in one bin."""
    found = histogram_of(np.full((4000, 4000, 3), 255, dtype=np.uint8), threads=2)
    assert found.counts.tolist() == [16_000_000]
    assert found.mean_srgb.tolist() == [[255.0, 255.0, 255.0]]
