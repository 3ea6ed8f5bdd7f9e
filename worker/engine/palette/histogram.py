"""The histogram of an artwork's colours: 32 steps a channel, each bin with its mean colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats, Labels, Srgb, read_only
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.threads import run_all, shared_strips

BINS = 1 << 15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Histogram:
    """The bins that hold pixels.

    bins : int64 (m,), index red << 10 | green << 5 | blue of 5 bits each. counts : int64 (m,), pixels.
    mean_srgb : float64 (m, 3), mean encoded colour 0 to 255. lab : float64 (m, 3), CIELAB of that mean.
    """

    bins: npt.NDArray[np.int64]
    counts: npt.NDArray[np.int64]
    mean_srgb: Floats
    lab: Floats

    @property
    def pixels(self) -> int:
        return int(self.counts.sum())

    @property
    def reds_and_greens(self) -> npt.NDArray[np.bool_]:
        """bool (32, 32): whether any bin of this step of red and of green holds pixels."""
        found = np.zeros((32, 32), dtype=np.bool_)
        found.ravel()[self.bins >> 5] = True
        return found


def bins_of(srgb: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """The bin of each colour, int64 (..., 3) of 0 to 255."""
    return ((srgb[..., 0] >> 3) << 10) | ((srgb[..., 1] >> 3) << 5) | (srgb[..., 2] >> 3)


@njit(cache=True, nogil=True)
def _count(srgb, groups, use_groups, skip, first, last, sums):  # type: ignore[no-untyped-def]  # pragma: no cover
    for y in range(first, last):
        for x in range(srgb.shape[1]):
            red = np.int64(srgb[y, x, 0])
            green = np.int64(srgb[y, x, 1])
            blue = np.int64(srgb[y, x, 2])
            if use_groups and groups[y, x] != skip:
                continue
            row = sums[((red >> 3) << 10) | ((green >> 3) << 5) | (blue >> 3)]
            row[0] += 1
            row[1] += (red & 7) | ((green & 7) << 32)
            row[2] += blue & 7


def histogram_of(srgb: Srgb, *, groups: Labels | None = None, group: int = 0, threads: int = 1) -> Histogram:
    """Histogram of encoded sRGB pixels, uint8 (H, W, 3).

    Where `groups`, uint8 (H, W), is given, only pixels of that `group` count.
    """
    strips = shared_strips(srgb.shape[0], threads)
    parts = [np.zeros((BINS, 3), dtype=np.int64) for _ in strips]
    srgb = read_only(srgb)
    ids = read_only(np.zeros((1, 1), dtype=np.uint8) if groups is None else groups)
    run_all(
        lambda i, first, last: _count(srgb, ids, groups is not None, group, first, last, parts[i]),
        [(i, first, last) for i, (first, last) in enumerate(strips)],
        threads,
    )
    sums = np.sum(parts, axis=0)
    bins = np.flatnonzero(sums[:, 0])
    counts = sums[bins, 0]
    low = np.stack([sums[bins, 1] & 0xFFFFFFFF, sums[bins, 1] >> 32, sums[bins, 2]], axis=1)
    base = np.stack([(bins >> 10) << 3, ((bins >> 5) & 31) << 3, (bins & 31) << 3], axis=1)
    mean_srgb = base + low / np.maximum(counts, 1)[:, None]
    return Histogram(bins=bins, counts=counts, mean_srgb=mean_srgb, lab=srgb_to_lab(mean_srgb))
