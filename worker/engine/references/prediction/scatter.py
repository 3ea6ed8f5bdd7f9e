"""How readings scatter, and draws of what their true mean may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from worker.engine.arrays import Floats

ENOUGH = 4
"""So many readings tell their own scatter: an assumption; three tell it to a half at best."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingNoise:
    """Standard deviations of one reading's reflectance factors where too few readings tell: an assumption, no source.

    `shared` moves all wavelengths alike, as a calibration does; `apart` each by itself.
    """

    shared: float = 0.003
    apart: float = 0.001


def draw_means(values: Floats, noise: ReadingNoise, count: int, chance: np.random.Generator) -> Floats:
    """`count` draws of the true mean of `values`, float64 (readings, n): float64 (count, n).

    Draws follow the scatter that the readings show, divided by their number; where they are fewer than four, the
    assumed noise comes on top, undivided.
    """
    readings, n = values.shape
    mean = values.mean(axis=0)
    draws = np.tile(mean, (count, 1))
    if readings > 1:
        draws += chance.standard_normal((count, readings)) @ (values - mean) / np.sqrt(readings * (readings - 1.0))
    if readings < ENOUGH:
        draws += noise.shared * chance.standard_normal((count, 1)) + noise.apart * chance.standard_normal((count, n))
    return draws


def coverage_factor(variances: Sequence[float], readings: Sequence[int]) -> float:
    """By how much 95 % of a normal scatter must be widened, since it was itself told from few readings.

    Student's t over the normal's 1.96, with the effective degrees of freedom of Welch and Satterthwaite (JCGM 100:2008,
    G.4). `variances` is what each sample adds to the result; one with fewer than four readings has an assumed noise,
    which counts as known.
    """
    total = sum(variances)
    told = sum(v * v / (n - 1) for v, n in zip(variances, readings, strict=True) if n >= ENOUGH)
    if total <= 0.0 or told <= 0.0:
        return 1.0
    return float(stdtrit(total * total / told, 0.975) / stdtrit(np.inf, 0.975))
