"""Repeats of the same patch in scattered places, so that a slope over the board or the light is seen in them."""

from __future__ import annotations

import itertools
import math

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats

REPEATS = 3
_TRIALS = 3000


def scatter(places: Floats, kinds: int, *, repeats: int = REPEATS) -> list[int]:
    """Which kind stands at each place, -1 for none.

    Repeats of one kind are kept far apart: pairs of places change their kinds wherever that raises the least distance
    between two repeats, by a fixed number of trials in a fixed order of chance.

    Parameters
    ----------
    places : float64 (m, 2)
        Where the places are, in mm; m >= kinds * repeats.
    kinds, repeats : int
        How many kinds there are, and how often each is wanted.
    """
    chance = np.random.default_rng(20261125)
    kind = np.full(len(places), -1, dtype=np.int64)
    kind[: kinds * repeats] = np.arange(kinds * repeats) % kinds
    best = _spread(places, kind, kinds)
    for a, b in chance.integers(0, len(places), (_TRIALS, 2)):
        if kind[a] == kind[b]:
            continue
        kind[a], kind[b] = kind[b], kind[a]
        now = _spread(places, kind, kinds)
        if now >= best:
            best = now
        else:
            kind[a], kind[b] = kind[b], kind[a]
    return [int(k) for k in kind]


def _spread(places: Floats, kind: npt.NDArray[np.int64], kinds: int) -> tuple[float, float]:
    """Least distance between two repeats, then the sum of each kind's own least distance."""
    own: list[list[tuple[float, float]]] = [[] for _ in range(kinds)]
    for (x, y), k in zip(places.tolist(), kind.tolist(), strict=True):
        if k >= 0:
            own[k].append((x, y))
    least = [min((math.dist(a, b) for a, b in itertools.combinations(points, 2)), default=0.0) for points in own]
    return round(min(least), 6), round(sum(least), 6)
