"""Mean, median, 95th percentile and maximum of very many values, from a histogram that keeps each bin's sum."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Counts = npt.NDArray[np.int64]
Sums = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Statistics:
    """Mean, median, 95th percentile (linear interpolation) and maximum over every pixel of the board area."""

    mean: float
    median: float
    p95: float
    max: float


def statistics_of_bins(counts: Counts, sums: Sums, maximum: float) -> Statistics | None:
    """Statistics of the values that a histogram holds, or None where it is empty.

    Parameters
    ----------
    counts : int64 (bins,)
        How many values each bin holds, bins in rising order.
    sums : float64 (bins,)
        The sum of each bin's values: a quantile is the mean of the values in its bin, so it is off by less than a
        bin's width.
    """
    total = int(counts.sum())
    if total == 0:
        return None
    cumulated = np.cumsum(counts)

    def value_at(place: int) -> float:
        index = int(np.searchsorted(cumulated, place, side="right"))
        return float(sums[index] / counts[index])

    def quantile(share: float) -> float:
        place = share * (total - 1)
        low = math.floor(place)
        below = value_at(low)
        return below + (place - low) * (value_at(min(low + 1, total - 1)) - below)

    return Statistics(
        mean=float(sums.sum() / total), median=quantile(0.5), p95=quantile(0.95), max=float(maximum)
    )
