"""Which of several boards is the better one, as far as their references let one say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from worker.engine.plan.outlook import Outlook

_NORMAL_95 = 1.96


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ranked:
    """A board in its place.

    place : from 1, by expected error; boards that can't be told from the best one of a place share it. behind : its
    expected error less the best board's. behind_uncertainty : what that may be off by in 95 of 100 cases.
    as_good_as_best : whether the references can't tell it from the best.
    """

    outlook: Outlook
    place: int
    behind: float
    behind_uncertainty: float
    as_good_as_best: bool


def difference_uncertainty(one: Outlook, other: Outlook) -> float:
    """What the difference of two expected errors may be off by in 95 of 100 cases: from draws of both at once, in which
    a reference that both share is off alike."""
    return _NORMAL_95 * float(np.std(one.changes - other.changes, ddof=1))


def rank(outlooks: Sequence[Outlook]) -> tuple[Ranked, ...]:
    """By expected error, the least first. A place is claimed only where it is sure: the first board that is worse than
    the best of a place by more than that difference may be off opens the next place."""
    ordered = sorted(outlooks, key=lambda one: (one.mean, one.fab.id))
    out: list[Ranked] = []
    leader, place = ordered[0], 1
    for number, one in enumerate(ordered, start=1):
        if one is not leader and one.mean - leader.mean > difference_uncertainty(one, leader):
            leader, place = one, number
        best = ordered[0]
        uncertainty = 0.0 if one is best else difference_uncertainty(one, best)
        out.append(
            Ranked(
                outlook=one,
                place=place,
                behind=one.mean - best.mean,
                behind_uncertainty=uncertainty,
                as_good_as_best=one.mean - best.mean <= uncertainty,
            )
        )
    return tuple(out)
