"""Scatter: every kind as often as wanted, and its repeats about as far apart as they can be."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from worker.engine.fabrication.scatter import REPEATS, scatter


def grid(columns: int, rows: int) -> np.ndarray:
    return np.array([(11.0 * x, 12.0 * y) for y in range(rows) for x in range(columns)])


@pytest.mark.parametrize(("columns", "rows", "kinds"), [(5, 3, 5), (8, 2, 5), (7, 2, 4), (12, 4, 16), (3, 1, 1)])
def test_every_kind_stands_three_times(columns: int, rows: int, kinds: int) -> None:
    kind = scatter(grid(columns, rows), kinds)
    assert [kind.count(k) for k in range(kinds)] == [REPEATS] * kinds
    assert kind.count(-1) == columns * rows - REPEATS * kinds
    assert kind == scatter(grid(columns, rows), kinds)


def test_repeats_are_nearly_as_far_apart_as_they_can_be() -> None:
    """Against every assignment of two kinds to eight places, tried one by one."""
    places = grid(4, 2)

    def least(chosen: tuple[int, ...]) -> float:
        return min(math.dist(places[a], places[b]) for a, b in itertools.combinations(chosen, 2))

    best = max(
        min(least(first), least(second))
        for first in itertools.combinations(range(8), 3)
        for second in itertools.combinations(set(range(8)) - set(first), 3)
    )
    kind = np.array(scatter(places, 2))
    found = min(least(tuple(np.flatnonzero(kind == k))) for k in (0, 1))
    assert found == pytest.approx(best)
