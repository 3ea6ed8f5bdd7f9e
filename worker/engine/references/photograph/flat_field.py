"""The light's unevenness over the picture, from a neutral surround that is the same everywhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlatField:
    """A quadratic in x and y for each channel, float64 (6, 3), in pixels less `middle` over `size`.

    `residual` is the 95th percentile of what the surround's samples differ from it, as a share of their light.
    """

    terms: Floats
    middle: Floats
    size: float
    residual: float = 0.0

    def at(self, places: Floats) -> Floats:
        """The light (n, 3) that falls on places (n, 2) in pixels."""
        return np.asarray(_powers((places - self.middle) / self.size) @ self.terms)


def fit_flat_field(places: Floats, light: Floats, middle: Floats) -> FlatField:
    """Fit the surround's linear light (n, 3) at places (n, 2); 1 at `middle`, which is where the chart is.

    Six terms for each channel, by least squares on the light itself, not on its logarithm.
    """
    size = float(np.abs(places - middle).max())
    powers = _powers((places - middle) / size)
    terms, *_ = np.linalg.lstsq(powers, light, rcond=None)
    off = np.abs(light / (powers @ terms) - 1.0)
    return FlatField(
        terms=np.asarray(terms / terms[0]), middle=middle, size=size, residual=float(np.quantile(off.max(axis=1), 0.95))
    )


def even_light(middle: Floats) -> FlatField:
    """The same light everywhere: where no surround is in the picture."""
    terms = np.zeros((6, 3))
    terms[0] = 1.0
    return FlatField(terms=terms, middle=middle, size=1.0)


def _powers(places: Floats) -> Floats:
    x, y = places[:, 0], places[:, 1]
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
