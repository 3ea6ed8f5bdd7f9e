"""The camera's tone curve from the six neutrals of the chart, so that its values become proportional to light."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.references.photograph.chart import NEUTRALS, chart_xyz
from worker.errors import PhotographError

_LEAST = 1e-7
_LEAST_SHARE = 0.003  # of the white's light
_BETTER = 0.5  # how near an offset must go to the neutrals, of how near a power goes
_CLEAR = 3.0  # standard errors from which on an offset is no chance


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToneCurve:
    """Nominal light of each channel to linear light: `offset` off, then a monotone curve through the neutrals.

    The curve is piecewise cubic Hermite (PCHIP; Fritsch and Carlson 1980) in the logarithms of both, which makes a
    plain power a straight line; beyond the outermost neutrals it goes on straight.
    """

    offset: Floats
    curves: tuple[Any, ...]

    def linear(self, nominal: Floats) -> Floats:
        """Linear light (n, 3) from nominal light (n, 3)."""
        logs = np.log(np.maximum(nominal - self.offset, _LEAST))
        return np.exp(np.column_stack([_extended(curve, logs[:, i]) for i, curve in enumerate(self.curves)]))


def fit_tone_curve(nominal: Floats, field: Floats, offset: Floats, name: str) -> ToneCurve:
    """The curve that carries the neutrals' nominal light (6, 3) to their published reflectance times the field (6, 3).

    Raises PhotographError where a lighter neutral isn't lighter in the photograph.
    """
    from scipy.interpolate import PchipInterpolator

    wanted = np.log(neutral_light() * field)[::-1]
    seen = np.log(np.maximum(nominal - offset, _LEAST))[::-1]
    if np.any(np.diff(seen, axis=0) <= 0.0) or np.any(np.diff(wanted, axis=0) <= 0.0):
        row = int(np.argmax(np.any(np.diff(seen, axis=0) <= 0.0, axis=1)))
        raise PhotographError(
            f"{name}: of the chart's neutrals, number {6 - row} from white is not darker than number {5 - row}.",
            mend="Check the chart's corners; light it evenly, without reflections, and expose it without clipping.",
        )
    return ToneCurve(
        offset=offset, curves=tuple(PchipInterpolator(seen[:, i], wanted[:, i], extrapolate=False) for i in range(3))
    )


def neutral_light() -> Floats:
    """Luminous reflectance of the neutrals for each channel, float64 (6, 3), lightest first."""
    return np.repeat(chart_xyz()[NEUTRALS, 1:2], 3, axis=1)


def veiling_offset(nominal: Floats, field: Floats) -> tuple[Floats, Floats]:
    """Light that lies over everything, (3,), as a share of the white's, with its standard error (3,).

    A straight line is fitted through the neutrals' nominal light (6, 3), with relative weights, so that the black
    counts as much as the white. Where the tone curve is far from that of sRGB no straight line fits, and the standard
    error is large.
    """
    light = neutral_light() * field
    found, error = np.zeros(3), np.zeros(3)
    for i in range(3):
        weight = 1.0 / (light[:, i] + 0.01)
        matrix = np.column_stack([light[:, i], np.ones(6)]) * weight[:, None]
        terms, *_ = np.linalg.lstsq(matrix, nominal[:, i] * weight, rcond=None)
        rest = nominal[:, i] * weight - matrix @ terms
        covariance = np.linalg.inv(matrix.T @ matrix) * (rest @ rest) / (len(rest) - 2)
        found[i], error[i] = terms[1] / terms[0], np.sqrt(covariance[1, 1]) / terms[0]
    return found, error


def clear_offset(nominal: Floats, field: Floats) -> Floats:
    """The veiling offset (3,) in nominal light where it is clearly above zero, else zeros.

    With no glare, subtracting what the fit finds would cost more than it gives. A tone curve that lifts the shadows
    looks like glare; it is none where a power of the light goes through the neutrals as well as an offset does.
    """
    share, error = veiling_offset(nominal, field)
    if np.any(share < _CLEAR * error) or np.any(share < _LEAST_SHARE):
        return np.zeros(3)
    light = neutral_light() * field
    veiled = np.std(np.log(np.maximum(nominal, _LEAST) / (light + share)), axis=0)
    if np.any(veiled > _BETTER * _off_a_power(nominal, light)):
        return np.zeros(3)
    return np.asarray(share * _gain(nominal, field, share))


def offset_share(nominal: Floats, field: Floats, curve: ToneCurve) -> Floats:
    """A curve's offset (3,) as a share of the white's light."""
    return np.asarray(curve.offset / np.median((nominal - curve.offset) / (neutral_light() * field), axis=0))


def _off_a_power(nominal: Floats, light: Floats) -> Floats:
    """How far (3,) the neutrals are from any power of the light, as a standard deviation of logarithms."""
    off = np.empty(3)
    for i in range(3):
        x, y = np.log(light[:, i]), np.log(np.maximum(nominal[:, i], _LEAST))
        off[i] = np.std(y - np.polyval(np.polyfit(x, y, 1), x))
    return off


def _gain(nominal: Floats, field: Floats, share: Floats) -> Floats:
    return np.asarray(np.median(nominal / (neutral_light() * field + share), axis=0))


def _extended(curve: Any, logs: Floats) -> Floats:
    """The curve, and straight lines with its slopes at both ends beyond them."""
    low, high = curve.x[0], curve.x[-1]
    inside = curve(np.clip(logs, low, high))
    slopes = curve(np.array([low, high]), 1)
    below, above = np.minimum(logs - low, 0.0), np.maximum(logs - high, 0.0)
    return np.asarray(inside + slopes[0] * below + slopes[1] * above)
