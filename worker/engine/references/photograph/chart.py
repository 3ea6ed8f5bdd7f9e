"""The 24-patch chart: what its patches are by published measurements, where they are, and which way it lies.

Four rows of six; the bottom row holds the neutrals, white on the left. The spectra are colour-science's data set
'BabelColor Average', means of 30 charts, 380 to 730 nm in steps of 10 nm.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.colorimetry import srgb_encoded, xyz_to_linear_rgb
from worker.engine.references.photograph.colour_science import load_colour
from worker.engine.references.spectrum import tristimulus
from worker.reading import Spectrum

ROWS, COLUMNS = 4, 6
NEUTRALS = slice(18, 24)
DATA_SET = "BabelColor Average"

PATCH_OF_PITCH = 0.87
"""Width of a patch over the distance from patch to patch. Charts differ (common practice, no source); an error of a
tenth moves the middle of no patch by more than a twentieth of the pitch."""


@lru_cache(maxsize=1)
def chart_xyz() -> Floats:
    """XYZ of the 24 patches, row by row, float64 (24, 3), D65/2, Y of the white at 1, computed from the spectra."""
    spectra = load_colour().SDS_COLOURCHECKERS[DATA_SET].values()
    found = np.array([tristimulus(_spectrum(spectrum), "D65", "2") for spectrum in spectra]) / 100.0
    found.setflags(write=False)
    return found


def _spectrum(distribution: object) -> Spectrum:
    shape = distribution.shape  # type: ignore[attr-defined]
    values = tuple(float(value) for value in distribution.values)  # type: ignore[attr-defined]
    return Spectrum(start_nm=float(shape.start), step_nm=float(shape.interval), values=values)


def patch_corners(inner: float) -> Floats:
    """Corners of the middle of each patch, float64 (24, 4, 2), where the patches' outer edges are 0 and 1.

    `inner` is the share of a patch's width that is kept.
    """
    patch = np.array([PATCH_OF_PITCH / (COLUMNS - 1 + PATCH_OF_PITCH), PATCH_OF_PITCH / (ROWS - 1 + PATCH_OF_PITCH)])
    half = 0.5 * inner * patch * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return np.asarray(patch_middles()[:, None, :] + half)


def patch_middles() -> Floats:
    """Middles of the patches, float64 (24, 2), on a chart of which the patches' outer edges are 0 and 1."""
    rows, columns = np.divmod(np.arange(ROWS * COLUMNS), COLUMNS)
    across = (columns + 0.5 * PATCH_OF_PITCH) / (COLUMNS - 1 + PATCH_OF_PITCH)
    down = (rows + 0.5 * PATCH_OF_PITCH) / (ROWS - 1 + PATCH_OF_PITCH)
    return np.column_stack([across, down])


def likeness(encoded: Floats) -> float:
    """How well values (24, 3), encoded 0 to 1, go with the chart's: the mean of three correlations, -1 to 1."""
    wanted = srgb_encoded(xyz_to_linear_rgb(chart_xyz()))
    return float(np.mean([_correlation(encoded[:, channel], wanted[:, channel]) for channel in range(3)]))


def _correlation(a: Floats, b: Floats) -> float:
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum() / size) if size > 1e-12 else 0.0
