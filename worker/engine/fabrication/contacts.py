"""Which connected parts of one plane touch which of another."""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_parts import Parts, Totals


def touched_parts(parts: Parts, others: Parts) -> Totals:
    """How many of `others` each part touches, at sides or corners: int64 (parts.count,)."""
    pairs = _pairs(
        parts.first_run,
        parts.starts,
        parts.ends,
        parts.part,
        others.first_run,
        others.starts,
        others.ends,
        others.part,
    )
    wide = max(others.count, 1)
    unique = np.unique(pairs[:, 0].astype(np.int64) * wide + pairs[:, 1])
    return np.bincount(unique // wide, minlength=parts.count).astype(np.int64)


@njit(cache=True, nogil=True, error_model="numpy")
def _pairs(first_a, begin_a, end_a, part_a, first_b, begin_b, end_b, part_b):  # type: ignore[no-untyped-def]  # pragma: no cover
    """(part of a, part of b) of all runs that touch, repeats included: first counted, then listed."""
    rows = first_a.shape[0] - 1
    out = np.empty((0, 2), dtype=np.int32)
    for counting in range(2):
        n = 0
        for y in range(rows):
            for other in range(max(y - 1, 0), min(y + 2, rows)):
                i, i_end = first_a[y], first_a[y + 1]
                j, j_end = first_b[other], first_b[other + 1]
                while i < i_end and j < j_end:
                    if begin_a[i] <= end_b[j] and begin_b[j] <= end_a[i]:
                        if counting == 1:
                            out[n, 0] = part_a[i]
                            out[n, 1] = part_b[j]
                        n += 1
                    if end_a[i] <= end_b[j]:
                        i += 1
                    else:
                        j += 1
        if counting == 0:
            out = np.empty((n, 2), dtype=np.int32)
    return out
