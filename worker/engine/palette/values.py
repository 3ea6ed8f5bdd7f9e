"""Counting and replacing the values of a label picture, uint8 (H, W), without a copy in a wider type."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Labels, read_only
from worker.engine.threads import run_all, shared_strips


@njit(cache=True, nogil=True)
def _count(values, first, last, counts):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    # Two tallies, so that a run of one value does not wait for its own last addition.
    other = np.zeros(256, dtype=np.int64)
    for y in range(first, last):
        row = values[y]
        whole = row.shape[0] // 8 * 8
        for x in range(0, whole, 8):
            value = row[x]
            differs = np.uint8(0)
            for k in range(1, 8):
                differs |= row[x + k] ^ value
            if differs == 0:
                counts[value] += 8
                continue
            for k in range(0, 8, 2):
                counts[row[x + k]] += 1
                other[row[x + k + 1]] += 1
        for x in range(whole, row.shape[0]):
            counts[row[x]] += 1
    counts += other


def count_values(values: Labels, *, threads: int = 1) -> npt.NDArray[np.int64]:
    """int64 (256,): how many pixels carry each value."""
    strips = shared_strips(values.shape[0], threads)
    counts = np.zeros((len(strips), 256), dtype=np.int64)
    values = read_only(values)
    run_all(
        lambda i, first, last: _count(values, first, last, counts[i]),
        ((i, *rows) for i, rows in enumerate(strips)),
        threads,
    )
    return np.asarray(counts.sum(axis=0))


@njit(cache=True, nogil=True)
def _map(values, table, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(first, last):
        for x in range(values.shape[1]):
            out[y, x] = table[values[y, x]]


def map_values(values: Labels, table: npt.NDArray[np.uint8], *, threads: int = 1) -> Labels:
    """`table`, uint8 (256,), at every value: uint8 (H, W)."""
    out = np.empty_like(values)
    values = read_only(values)
    run_all(lambda first, last: _map(values, table, first, last, out), shared_strips(values.shape[0], threads), threads)
    return out
