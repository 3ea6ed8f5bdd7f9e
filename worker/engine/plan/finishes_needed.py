"""How many finishes an artwork needs: its error with the best one, two, three ... of a fab's finishes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit

from worker.engine.arrays import Float32s, Floats

ALL_SETS_UP_TO = 8
"""With more finishes than this, the best set of each size is built one by one, and each of its finishes tried anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BestSet:
    """The best finishes of their number: places in the profile's list, and the mean CIEDE2000 of colour to finish."""

    finishes: tuple[int, ...]
    mean: float


def best_sets(distances: Float32s, shares: Floats, *, needed: Sequence[int] = ()) -> tuple[BestSet, ...]:
    """The best set of every size, smallest first.

    Parameters
    ----------
    distances : float32 (m, n), CIEDE2000 of each art colour to each finish.
    shares : float64 (m,), how much of the art each colour covers.
    needed : finishes that every set must have, as for transparent places.
    """
    count = distances.shape[1]
    always = sum(1 << i for i in set(needed))
    if count <= ALL_SETS_UP_TO:
        means = _every_set(np.ascontiguousarray(distances), np.asarray(shares, dtype=np.float64))
        out = []
        for size in range(max(1, len(set(needed))), count + 1):
            sets = [bits for bits in range(1, 1 << count) if bits.bit_count() == size and bits & always == always]
            best = min(sets, key=lambda bits: (means[bits], bits))
            out.append(BestSet(finishes=_places(best), mean=float(means[best])))
        return tuple(out)
    return tuple(_built(distances, shares, sorted(set(needed))))


def knee(means: Sequence[float]) -> int:
    """The number of finishes, from 1, beyond which more hardly help: where the curve lies farthest below the straight
    line between its ends (Satopaa, Albrecht, Irwin and Raghavan, "Finding a Kneedle in a Haystack", ICDCSW 2011)."""
    if len(means) < 3 or means[0] - means[-1] < 1e-9:
        return 1 if len(means) < 2 or means[0] - means[-1] < 1e-9 else len(means)
    along = np.linspace(0.0, 1.0, len(means))
    fallen = (means[0] - np.asarray(means)) / (means[0] - means[-1])
    return int(np.argmax(fallen - along)) + 1


def _places(bits: int) -> tuple[int, ...]:
    return tuple(i for i in range(bits.bit_length()) if bits >> i & 1)


@njit(cache=True, nogil=True, error_model="numpy")
def _every_set(distances, shares):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """float64 (2^n,): the mean distance to the nearest finish of every set, by the bits of its place."""
    count = distances.shape[1]
    sets = 1 << count
    means = np.zeros(sets)
    nearest = np.empty(sets, dtype=np.float32)
    for k in range(distances.shape[0]):
        nearest[0] = np.float32(1e9)
        for bits in range(1, sets):
            lowest = 0
            while bits >> lowest & 1 == 0:
                lowest += 1
            nearest[bits] = min(nearest[bits & (bits - 1)], distances[k, lowest])
            means[bits] += shares[k] * nearest[bits]
    return means


def _built(distances: Float32s, shares: Floats, needed: list[int]) -> list[BestSet]:
    def mean(chosen: Sequence[int]) -> float:
        return float(shares @ distances[:, list(chosen)].min(axis=1))

    count = distances.shape[1]
    chosen, out = list(needed), []
    if chosen:
        out.append(BestSet(finishes=tuple(sorted(chosen)), mean=mean(chosen)))
    while len(chosen) < count:
        chosen.append(min((i for i in range(count) if i not in chosen), key=lambda i: mean([*chosen, i])))
        improved = True
        while improved:
            improved = False
            for place in range(len(needed), len(chosen)):
                rest = chosen[:place] + chosen[place + 1 :]
                best = min((i for i in range(count) if i not in rest), key=lambda i: mean([*rest, i]))
                if mean([*rest, best]) < mean(chosen) - 1e-9:
                    chosen, improved = [*rest, best], True
        out.append(BestSet(finishes=tuple(sorted(chosen)), mean=mean(chosen)))
    return out
