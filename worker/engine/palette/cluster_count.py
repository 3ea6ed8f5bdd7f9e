"""How many clusters an artwork needs: the fewest that cost next to nothing against no clusters at all.

The criterion: S-CIELAB of the artwork against its clusters' finishes may exceed that of each colour's own nearest
finish by at most COST. It is measured on a thinned picture of at most PIXELS pixels, every n-th in both directions,
as wide in degrees as the whole; since thinning leaves all noise in, the target is half the promised bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats, Labels, Srgb
from worker.engine.colorimetry import linear_rgb_to_xyz, srgb_decoded
from worker.engine.difference import ciede2000
from worker.engine.palette.clustering import cluster_bins, cluster_labs
from worker.engine.palette.colour_places import places_of
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.histogram import BINS, Histogram, bins_of
from worker.engine.palette.shared import apart_for, thin
from worker.engine.palette.tables import TableStore
from worker.engine.vision import SeenPicture, pixels_per_degree, see, seen_difference, working_step

COST = 0.15
CANDIDATES = (8, 16, 32, 64)
PIXELS = 120_000


def choose_cluster_count(
    pictures: Sequence[tuple[Srgb, float]],
    histogram: Histogram,
    direct: Labels,
    colours: FinishColours,
    *,
    viewing_distance_mm: float,
    tables: TableStore | None = None,
) -> int | None:
    """The smallest of CANDIDATES that meets the criterion, or None where none does.

    Parameters
    ----------
    pictures : of uint8 (H, W, 3), encoded sRGB, each with the size of a pixel in micrometres
        The artwork on the grid; or several, of which the mean counts.
    histogram : of their colours.
    direct : uint8 (2^24,)
        The nearest finish of each colour by place, from `nearest_finish_table`.
    """
    if len(histogram.bins) <= CANDIDATES[0]:
        return len(histogram.bins)
    most = PIXELS // len(pictures)
    thinned = [_Thinned.of(srgb, pitch_um, most, viewing_distance_mm) for srgb, pitch_um in pictures]
    nearest = [direct[one.place] for one in thinned]
    bounds = [one.error(colours.linear_rgb[labels]) for one, labels in zip(thinned, nearest, strict=True)]
    bound = float(np.mean(bounds)) + COST
    for count in CANDIDATES:
        found = cluster_bins(histogram, count, tables=tables)
        lab = cluster_labs(histogram, found)
        finish = np.stack([ciede2000(lab, reference) for reference in colours.lab], axis=1).argmin(axis=1)
        by_bin = np.zeros(BINS, dtype=np.int64)
        by_bin[histogram.bins] = finish[found]
        labels = [by_bin[one.bins] for one in thinned]
        if all(np.array_equal(a, b) for a, b in zip(labels, nearest, strict=True)) or (
            float(np.mean([one.error(colours.linear_rgb[a]) for one, a in zip(thinned, labels, strict=True)])) <= bound
        ):
            return min(count, len(histogram.bins))
    return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Thinned:
    """A thinned picture: its pixels' places in a table, uint32, and bins, int64 (h, w), and how it is seen."""

    place: npt.NDArray[np.uint32]
    bins: npt.NDArray[np.int64]
    art: SeenPicture
    full: float
    step: int

    @classmethod
    def of(cls, srgb: Srgb, pitch_um: float, most: int, viewing_distance_mm: float) -> _Thinned:
        art = thin(srgb, most).astype(np.int64)
        full = pixels_per_degree(viewing_distance_mm, pitch_um * apart_for(srgb, most))
        step = working_step(full)
        return cls(
            place=places_of(art),
            bins=bins_of(art),
            art=see(_blocks(srgb_decoded(art / 255.0), step), working_ppd=full / step, step=step),
            full=full,
            step=step,
        )

    def error(self, linear_rgb: Floats) -> float:
        """Mean S-CIELAB of a board of these colours, float64 (h, w, 3), against the picture."""
        board = see(_blocks(linear_rgb, self.step), working_ppd=self.full / self.step, step=self.step)
        return float(seen_difference(self.art, board).mean())


def _blocks(linear_rgb: Floats, step: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """XYZ, float32 (3, h, w), of block averages; blocks cut by the edge are left out unless nothing else is left."""
    height, width = linear_rgb.shape[:2]
    if step > 1 and height >= step and width >= step:
        rows, columns = height // step, width // step
        linear_rgb = linear_rgb[: rows * step, : columns * step].reshape(rows, step, columns, step, 3).mean(axis=(1, 3))
    return np.ascontiguousarray(np.moveaxis(linear_rgb_to_xyz(linear_rgb), -1, 0)).astype(np.float32)
