"""A mean that a bad reading can't move, and its uncertainty, against scipy and drawn scatter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import f as fisher

from worker.engine.difference import ciede2000
from worker.engine.references.robust_mean import (
    LEAST_SCALE,
    RADIUS_95,
    REACH,
    distances_from,
    error_of_mean,
    robust_weights,
)

small = st.floats(-0.4, 0.4)


@settings(deadline=None)
@given(
    st.lists(st.tuples(small, small, small), min_size=4, max_size=4),
    st.tuples(st.floats(0, 100), st.floats(-100, 100), st.floats(-100, 100)),
)
def test_one_bad_reading_among_five_does_not_move_it(
    noise: list[tuple[float, float, float]], bad: tuple[float, float, float]
) -> None:
    good = np.array([60.0, 10.0, 20.0]) + np.array(noise)
    lab = np.vstack([good[:2], [bad], good[2:]])
    weights = robust_weights(lab)
    mean = weights @ lab / weights.sum()
    # Less than the least scale: nearer than readings that are taken for equal.
    assert ciede2000(mean, good.mean(axis=0)) < LEAST_SCALE
    if ciede2000(np.array(bad), np.array([60.0, 10.0, 20.0])) > 10.0:
        assert weights[2] == 0.0
        # Without the bad one the weights are those of the good ones alone, up to the scale that it widened.
        assert ciede2000(mean, good.mean(axis=0)) < 0.15


def test_even_two_bad_readings_of_five_do_not() -> None:
    lab = np.array([[50.0, 0.0, 0.0], [50.2, 0.1, 0.0], [90.0, 5.0, 40.0], [49.9, 0.0, 0.1], [10.0, 0.0, 0.0]])
    assert (robust_weights(lab) == 0.0).tolist() == [False, False, True, False, True]


def test_normal_scatter_is_kept_whole() -> None:
    rng = np.random.default_rng(3)
    lab = np.array([50.0, 0.0, 0.0]) + rng.normal(scale=0.8, size=(400, 3))
    assert (robust_weights(lab) > 0.0).all()


def test_two_readings_are_meant_alike_and_one_stands_alone() -> None:
    first, second = robust_weights(np.array([[50.0, 0.0, 0.0], [60.0, 0.0, 0.0]]))
    # CIEDE2000 weighs lightness a little differently at 50 and 60.
    assert first == pytest.approx(second, rel=0.05)
    assert robust_weights(np.array([[50.0, 5.0, 5.0]])).tolist() == [1.0]


def test_a_reading_counts_less_the_farther_it_stands() -> None:
    near = np.array([[50.0 + 0.1 * i, 0.0, 0.0] for i in range(5)])
    weights = robust_weights(np.vstack([near, [[51.3, 0.0, 0.0]], [[50.2 + REACH, 0.0, 0.0]]]))
    assert weights[5] < weights[:5].min()
    assert weights[6] == 0.0


def test_the_radius_is_that_of_the_f_distribution() -> None:
    counts = np.arange(2, 2 + len(RADIUS_95))
    np.testing.assert_allclose(RADIUS_95, np.sqrt(3.0 * fisher.ppf(0.95, 3, 3 * (counts - 1))), atol=6e-4)


@pytest.mark.parametrize("count", [2, 3, 5, 8, 20])
def test_95_of_100_means_lie_within_their_uncertainty(count: int) -> None:
    rng = np.random.default_rng(count)
    scatter = rng.normal(size=(20000, count, 3))
    means = scatter.mean(axis=1)
    spreads = np.linalg.norm(scatter - means[:, None], axis=2).mean(axis=1)
    within = [np.linalg.norm(mean) <= error_of_mean(spread, count) for mean, spread in zip(means, spreads, strict=True)]
    assert 0.945 < np.mean(within) < 0.97


def test_distances_are_ciede2000() -> None:
    lab = np.array([[50.0, 2.6772, -79.7751], [50.0, 0.0, 0.0]])
    # The first pair of Sharma, Wu and Dalal (2005).
    assert distances_from(lab, np.array([50.0, 0.0, -82.7485]))[0] == pytest.approx(2.0425, abs=5e-5)
