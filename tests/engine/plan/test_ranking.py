"""What may be said of two boards, against draws of their references by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.boards import board
from worker.engine.plan.outlook import DRAWS, Outlook
from worker.engine.plan.ranking import difference_uncertainty, rank


def a_board(name: str, mean: float, changes: Any) -> Outlook:
    return Outlook(
        fab=replace(board("meadow-tin"), id=name),
        edges="threshold",
        reason="",
        mean=mean,
        p95=mean,
        beyond_finishes=0.0,
        beyond_mixtures=0.0,
        sets=(),
        knee=1,
        risks=(),
        changes=np.asarray(changes, dtype=np.float64),
        uncertainty=1.96 * float(np.std(changes, ddof=1)),
        areas=(),
        shown=np.zeros((3, 1, 1), dtype=np.float32),
    )


def test_independent_references_add_as_variances_do_and_shared_ones_cancel() -> None:
    rng = np.random.default_rng(3)
    shared = rng.normal(0.0, 1.0, DRAWS)
    one, other = rng.normal(0.0, 0.3, DRAWS), rng.normal(0.0, 0.4, DRAWS)
    apart = difference_uncertainty(a_board("a", 5, one), a_board("b", 5, other))
    assert apart == pytest.approx(1.96 * 0.5, rel=0.25)  # sqrt(0.3^2 + 0.4^2), told from 40 draws
    together = difference_uncertainty(a_board("a", 5, shared + one), a_board("b", 5, shared + other))
    assert together == pytest.approx(apart)
    assert difference_uncertainty(a_board("a", 5, shared), a_board("b", 5, shared)) == 0.0


def test_a_place_is_claimed_only_where_the_difference_is_sure() -> None:
    sure, unsure = np.linspace(-0.01, 0.01, DRAWS), np.tile([-1.0, 1.0], DRAWS // 2)
    ranked = rank([a_board("far", 9.0, sure), a_board("near", 5.5, unsure), a_board("best", 5.0, sure)])
    assert [(one.outlook.fab.id, one.place) for one in ranked] == [("best", 1), ("near", 1), ("far", 3)]
    assert [one.as_good_as_best for one in ranked] == [True, True, False]
    assert ranked[1].behind == pytest.approx(0.5) and ranked[1].behind_uncertainty == pytest.approx(1.98, abs=0.05)


def test_boards_of_equal_error_keep_one_order() -> None:
    sure = np.linspace(-0.01, 0.01, DRAWS)
    assert [one.outlook.fab.id for one in rank([a_board("b", 5, sure), a_board("a", 5, sure)])] == ["a", "b"]
