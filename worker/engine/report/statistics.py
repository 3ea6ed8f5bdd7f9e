"""Mean, median, 95th percentile and maximum of very many values, from counts in narrow bins and exact sums."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Counts = npt.NDArray[np.int32] | npt.NDArray[np.int64]
Sums = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Statistics:
    """Mean, median, 95th percentile (linear interpolation) and maximum over every pixel of the board area."""

    mean: float
    median: float
    p95: float
    max: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tally:
    """Values counted in bins, a row for each group.

    counts : int32 (groups, bins), bins in rising order from 0. totals, lowest, highest : float64 (groups,), exact.
    bin_width : of the values.
    """

    counts: Counts
    totals: Sums
    lowest: Sums
    highest: Sums
    bin_width: float

    def of_group(self, group: int) -> Statistics | None:
        """Statistics of one group, or None where it is empty."""
        return _statistics(
            self.counts[group], self.totals[group], self.lowest[group], self.highest[group], self.bin_width
        )

    def part(self, first: int, last: int) -> Tally:
        """Groups first to last."""
        return Tally(
            counts=self.counts[first:last],
            totals=self.totals[first:last],
            lowest=self.lowest[first:last],
            highest=self.highest[first:last],
            bin_width=self.bin_width,
        )

    def regrouped(self, inner: int, *, axis: int) -> Tally:
        """Groups numbered outer * inner + within, joined over the outer (axis 0) or the inner number (axis 1)."""
        shape = (-1, inner)
        return Tally(
            counts=self.counts.reshape(*shape, self.counts.shape[1]).sum(axis=axis, dtype=np.int64),
            totals=self.totals.reshape(shape).sum(axis=axis),
            lowest=self.lowest.reshape(shape).min(axis=axis),
            highest=self.highest.reshape(shape).max(axis=axis),
            bin_width=self.bin_width,
        )

    @property
    def peak(self) -> float:
        """The highest value; 0 where there is none."""
        return float(self.highest.max(initial=0.0))

    def of_all(self, *, peak: float | None = None) -> Statistics:
        """Statistics of all groups together; zeros where there is no value. `peak` : the maximum, if better known."""
        if not self.counts.any():
            return Statistics(mean=0.0, median=0.0, p95=0.0, max=0.0)
        used = self.counts.any(axis=1)
        whole = _statistics(
            self.counts.sum(axis=0, dtype=np.int64),
            self.totals.sum(),
            self.lowest[used].min(),
            # A peak found in float64 may lie a rounding below what the float32 values average to.
            self.highest[used].max()
            if peak is None
            else max(peak, self.totals.sum() / self.counts.sum(dtype=np.int64)),
            self.bin_width,
        )
        assert whole is not None
        return whole


def _statistics(counts: Counts, total: float, lowest: float, highest: float, width: float) -> Statistics | None:
    count = int(counts.sum())
    if count == 0:
        return None
    cumulated = np.cumsum(counts)

    def value_at(place: int) -> float:
        """The value of this rank, spread evenly over its bin and within what occurs at all: off by a bin at most."""
        index = int(np.searchsorted(cumulated, place, side="right"))
        within = (place - (cumulated[index] - counts[index]) + 0.5) / counts[index]
        return float(min(max((index + within) * width, lowest), highest))

    def quantile(share: float) -> float:
        place = share * (count - 1)
        low = math.floor(place)
        below = value_at(low)
        return below + (place - low) * (value_at(min(low + 1, count - 1)) - below)

    return Statistics(mean=float(total / count), median=quantile(0.5), p95=quantile(0.95), max=float(highest))
