"""Best sets against a search of every set by colour-science's CIEDE2000; the knee against calculus."""

from __future__ import annotations

import itertools
import warnings

import numpy as np
import numpy.typing as npt
import pytest

from worker.engine.plan.finishes_needed import best_sets, knee
from worker.engine.plan.outlook import distances_to

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour


def colours(count: int, seed: int) -> npt.NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    return np.stack([rng.uniform(5, 95, count), rng.uniform(-50, 50, count), rng.uniform(-50, 50, count)], axis=1)


def test_quick_distances_are_those_of_colour_science() -> None:
    art, finishes = colours(3000, 1), colours(7, 2)
    expected = np.stack([colour.delta_E(art, reference, method="CIE 2000") for reference in finishes], axis=1)
    assert np.abs(distances_to(art, finishes, threads=2) - expected).max() < 0.01


@pytest.mark.parametrize("needed", [(), (2,)])
@pytest.mark.parametrize("count", [5, 10])  # of ten, sets are built one by one
def test_the_best_set_of_each_number_is_found(count: int, needed: tuple[int, ...]) -> None:
    art, finishes = colours(60, 3), colours(count, 4)
    shares = np.random.default_rng(5).dirichlet(np.ones(len(art)))
    exact = np.stack([colour.delta_E(art, reference, method="CIE 2000") for reference in finishes], axis=1)
    found = best_sets(distances_to(art, finishes), shares, needed=needed)
    assert [len(one.finishes) for one in found] == list(range(max(1, len(needed)), count + 1))
    for one in found:
        sets = (s for s in itertools.combinations(range(count), len(one.finishes)) if set(needed) <= set(s))
        best = min(float(shares @ exact[:, list(s)].min(axis=1)) for s in sets)
        assert one.mean == pytest.approx(float(shares @ exact[:, list(one.finishes)].min(axis=1)), abs=0.01)
        assert one.mean <= best + (0.02 if count <= 8 else 0.05 * best)  # built ones need not be the very best


def test_the_knee_of_a_hyperbola_is_where_its_slope_is_the_chord_s() -> None:
    # Of 1/k from 1 to n the chord's slope is -1/n, and 1/k has it at the root of n.
    for count in (9, 16, 25):
        assert knee([1.0 / k for k in range(1, count + 1)]) == round(count**0.5)
    assert knee([5.0]) == 1
    assert knee([5.0, 5.0, 5.0]) == 1
