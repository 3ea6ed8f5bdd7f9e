"""How much of the board each finish covers, by counting labels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Labels


def count_labels(labels: Labels) -> npt.NDArray[np.int64]:
    """int64 (256,): how many pixels carry each label. labels: uint8 (H, W)."""
    counts = np.zeros(256, dtype=np.int64)
    _count(np.ascontiguousarray(labels).ravel(), counts)
    return counts


@njit(cache=True, nogil=True)
def _count(labels: Labels, counts: npt.NDArray[np.int64]) -> None:  # pragma: no cover
    # Four tallies, so that a run of one label does not wait for its own last addition.
    tallies = np.zeros((4, 256), np.int64)
    whole = labels.size - labels.size % 4
    for i in range(0, whole, 4):
        for lane in range(4):
            tallies[lane, labels[i + lane]] += 1
    for i in range(whole, labels.size):
        tallies[0, labels[i]] += 1
    for lane in range(4):
        for code in range(256):
            counts[code] += tallies[lane, code]
