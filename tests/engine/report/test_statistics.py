"""Statistics from counts against numpy's, on the values themselves."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.engine.report.statistics import Statistics, Tally

WIDTH = 1.0 / 128.0


def tally_of(groups: list[npt.NDArray[np.float64]]) -> Tally:
    """What the loops under the score count, by numpy."""
    bins = 2000
    counts = np.stack([np.bincount((values / WIDTH).astype(int), minlength=bins) for values in groups])
    return Tally(
        counts=counts.astype(np.int32),
        totals=np.array([values.sum() for values in groups]),
        lowest=np.array([values.min(initial=np.inf) for values in groups]),
        highest=np.array([values.max(initial=0.0) for values in groups]),
        bin_width=WIDTH,
    )


def check(found: Statistics | None, values: npt.NDArray[np.float64]) -> None:
    assert found is not None
    assert found.mean == pytest.approx(values.mean(), abs=1e-9)
    assert found.median == pytest.approx(np.median(values), abs=1.01 * WIDTH)
    assert found.p95 == pytest.approx(np.percentile(values, 95.0), abs=1.01 * WIDTH)
    assert found.max == pytest.approx(values.max())


several = st.lists(st.floats(0.0, 15.0), min_size=1, max_size=60)


@given(st.lists(several, min_size=1, max_size=4))
def test_every_group_and_all_together(groups: list[list[float]]) -> None:
    arrays = [np.array(group) for group in groups]
    tally = tally_of(arrays)
    for i, values in enumerate(arrays):
        check(tally.of_group(i), values)
    check(tally.of_all(), np.concatenate(arrays))


def test_many_values() -> None:
    values = np.random.default_rng(3).gamma(2.0, 2.0, 200_000).clip(0, 15)
    found = tally_of([values]).of_all()
    assert found.median == pytest.approx(np.median(values), abs=0.001)
    assert found.p95 == pytest.approx(np.percentile(values, 95.0), abs=0.002)


def test_equal_values_are_told_exactly() -> None:
    found = tally_of([np.full(7, 3.0123)]).of_all()
    assert (found.median, found.p95, found.max) == (3.0123, 3.0123, 3.0123)


def test_nothing_has_no_statistics() -> None:
    tally = tally_of([np.array([]), np.array([2.0])])
    assert tally.of_group(0) is None
    check(tally.of_all(), np.array([2.0]))
    assert tally_of([np.array([])]).of_all() == Statistics(mean=0.0, median=0.0, p95=0.0, max=0.0)


def test_a_better_maximum_counts() -> None:
    """It may lie above or below the values, as these are those of blocks; never below their mean."""
    tally = tally_of([np.array([1.0, 2.0])])
    assert tally.of_all(peak=2.5).max == 2.5
    assert tally.of_all(peak=1.75).max == 1.75
    assert tally.of_all(peak=1.25).max == 1.5
    assert tally.of_all().max == tally.peak == 2.0
