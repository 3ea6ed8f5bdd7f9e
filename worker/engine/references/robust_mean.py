"""A mean that one bad reading can't move, and how sure it is.

Tukey's biweight (Beaton and Tukey, Technometrics 16, 1974) on CIEDE2000 from the mean, begun at the median of each
coordinate, which half the readings can't move either.
"""

from __future__ import annotations

import math

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.difference import ciede2000

REACH = 4.0
"""A reading this many times as far from the mean as the middle one counts for nothing. Of normal scatter in three
dimensions not one in a million lies so far out."""
LEAST_SCALE = 0.5
"""CIEDE2000: readings this close are taken for equal, however close the others are. An assumption, no source."""

RADIUS_95 = (5.275, 3.778, 3.404, 3.236, 3.140, 3.079, 3.036, 3.004, 2.980, 2.961)
"""By how many standard errors, of one coordinate, the mean of n = 2, 3, ... 11 readings may be off in 95 of 100 cases:
the root of 3 F(0.95; 3, 3(n-1)), for equal normal scatter in three dimensions. Tests hold it against scipy."""


def robust_weights(lab: Floats) -> Floats:
    """float64 (n,), 0 to 1: how much each of n colours counts. `lab` is CIELAB, float64 (n, 3)."""
    weights = np.ones(len(lab))
    centre = _middle(lab)
    for _ in range(100):
        distances = distances_from(lab, centre)
        reach = REACH * max(float(_middle(distances)), LEAST_SCALE)
        weights = np.where(distances < reach, (1.0 - (distances / reach) ** 2) ** 2, 0.0)
        moved = weights @ lab / weights.sum()
        if np.abs(moved - centre).max() < 1e-6:
            break
        centre = moved
    return np.asarray(weights, dtype=np.float64)


def _middle(values: Floats) -> Floats:
    """The median along the first axis. numpy's own loads its masked arrays, which takes longer than all the rest."""
    ranked = np.sort(values, axis=0)
    return np.asarray(0.5 * (ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]))


def distances_from(lab: Floats, centre: Floats) -> Floats:
    """CIEDE2000 of n colours, float64 (n, 3), from one, float64 (3,)."""
    return ciede2000(lab, np.tile(centre, (len(lab), 1)))


def error_of_mean(spread: float, count: int) -> float:
    """By how much the mean of `count` readings may be off in 95 of 100 cases, from their mean distance `spread`.

    Of normal scatter with standard deviation s in each of three dimensions, the mean distance from the true middle is
    s sqrt(8 / pi), and from the mean of n readings by sqrt((n - 1) / n) less.
    """
    deviation = spread / math.sqrt(8.0 / math.pi) * math.sqrt(count / (count - 1))
    return RADIUS_95[min(count - 2, len(RADIUS_95) - 1)] * deviation / math.sqrt(count)
