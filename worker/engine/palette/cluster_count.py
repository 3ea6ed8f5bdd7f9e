"""How many clusters an artwork needs: the fewest that cost next to nothing against no clusters at all.

The criterion: S-CIELAB of the artwork against its clusters' finishes may exceed that of each colour's own nearest
finish by at most COST. It is measured on a thinned picture of at most PIXELS pixels, every n-th in both directions,
as wide in degrees as the whole; since thinning leaves all noise in, the target is half the promised bound.
"""

from __future__ import annotations

import math

import numpy as np

from worker.engine.arrays import Floats, Labels, Srgb
from worker.engine.colorimetry import linear_rgb_to_xyz, srgb_decoded
from worker.engine.difference import ciede2000
from worker.engine.palette.clustering import cluster_bins, cluster_labs
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.histogram import BINS, Histogram
from worker.engine.palette.tables import TableStore
from worker.engine.vision import SeenPicture, pixels_per_degree, see, seen_difference, working_step

COST = 0.15
CANDIDATES = (8, 16, 32, 64)
PIXELS = 120_000


def choose_cluster_count(
    srgb: Srgb,
    histogram: Histogram,
    direct: Labels,
    colours: FinishColours,
    *,
    pitch_um: float,
    viewing_distance_mm: float,
    tables: TableStore | None = None,
) -> int | None:
    """The smallest of CANDIDATES that meets the criterion, or None where none does.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB
        The artwork on the grid.
    direct : uint8 (2^24,)
        The nearest finish of each colour, from `nearest_finish_table`.
    """
    if len(histogram.bins) <= CANDIDATES[0]:
        return len(histogram.bins)
    height, width = srgb.shape[:2]
    apart = max(1, math.ceil(math.sqrt(height * width / PIXELS)))
    thin = srgb[apart // 2 :: apart, apart // 2 :: apart].astype(np.int64)
    full = pixels_per_degree(viewing_distance_mm, pitch_um * apart)
    colour = (thin[..., 0] << 16) | (thin[..., 1] << 8) | thin[..., 2]
    bins = ((thin[..., 0] >> 3) << 10) | ((thin[..., 1] >> 3) << 5) | (thin[..., 2] >> 3)
    step = working_step(full)

    def seen(linear_rgb: Floats) -> SeenPicture:
        return see(_blocks(linear_rgb, step), working_ppd=full / step, step=step)

    art = seen(srgb_decoded(thin / 255.0))
    nearest = direct[colour]
    bound = float(seen_difference(art, seen(colours.linear_rgb[nearest])).mean()) + COST
    for count in CANDIDATES:
        found = cluster_bins(histogram, count, tables=tables)
        lab = cluster_labs(histogram, found)
        finish = np.stack([ciede2000(lab, reference) for reference in colours.lab], axis=1).argmin(axis=1)
        by_bin = np.zeros(BINS, dtype=np.int64)
        by_bin[histogram.bins] = finish[found]
        labels = by_bin[bins]
        if (
            np.array_equal(labels, nearest)
            or float(seen_difference(art, seen(colours.linear_rgb[labels])).mean()) <= bound
        ):
            return min(count, len(histogram.bins))
    return None


def _blocks(linear_rgb: Floats, step: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """XYZ, float32 (3, h, w), of block averages; blocks cut by the edge are left out unless nothing else is left."""
    height, width = linear_rgb.shape[:2]
    if step > 1 and height >= step and width >= step:
        rows, columns = height // step, width // step
        linear_rgb = linear_rgb[: rows * step, : columns * step].reshape(rows, step, columns, step, 3).mean(axis=(1, 3))
    return np.ascontiguousarray(np.moveaxis(linear_rgb_to_xyz(linear_rgb), -1, 0)).astype(np.float32)
