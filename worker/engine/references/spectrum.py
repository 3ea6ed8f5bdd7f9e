"""Tristimulus values of reflectance spectra.

Sources: ASTM E308-18 (tristimulus values of objects, 360 to 780 nm; where a spectrum ends short of that, its last
value stands for the rest) and ASTM E2022-16 (weights for a step wider than 1 nm, by Lagrange interpolation: cubic,
and quadratic in the first and the last interval). The tables behind them are of CIE 15 and ISO/CIE 11664-1.
"""

from __future__ import annotations

import io
import math
from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.reading import Spectrum

FIRST_NM, LAST_NM = 360, 780


def tristimulus(spectrum: Spectrum, illuminant: str, observer: str) -> Floats:
    """XYZ of a reflectance spectrum, float64 (3,), Y of a perfect diffuser at 100.

    Parameters
    ----------
    spectrum : Spectrum
        Reflectance factors, 1 for a perfect diffuser, at any even step.
    illuminant : str
        One of `worker.reading.ILLUMINANTS`.
    observer : str
        2 or 10, in degrees.
    """
    values = np.array(spectrum.values, dtype=np.float64)
    return values @ _weights(spectrum.start_nm, spectrum.step_nm, len(values), illuminant, observer)


@lru_cache(maxsize=32)
def white_point(illuminant: str, observer: str) -> Floats:
    """XYZ of a perfect diffuser, float64 (3,), read-only, Y at 100: the sum over the 1 nm tables."""
    total = _lit(illuminant, observer).sum(axis=0)
    white = np.asarray(100.0 * total / total[1])
    white.setflags(write=False)
    return white


def interpolated(spectrum: Spectrum, wavelengths_nm: npt.ArrayLike) -> Floats:
    """Reflectance factors at any wavelengths, float64 (n,), by the interpolation of ASTM E2022.

    Beyond the spectrum's ends its outermost values stand.
    """
    wanted = np.asarray(wavelengths_nm, dtype=np.float64).reshape(-1)
    values = np.array(spectrum.values, dtype=np.float64)
    positions = (np.clip(wanted, spectrum.start_nm, spectrum.end_nm) - spectrum.start_nm) / spectrum.step_nm
    return _lagrange(positions, len(values)) @ values


@lru_cache(maxsize=256)
def _weights(start_nm: float, step_nm: float, count: int, illuminant: str, observer: str) -> Floats:
    """float64 (count, 3): what each value of the spectrum adds to X, Y and Z, read-only."""
    lit = _lit(illuminant, observer)
    first = math.floor((FIRST_NM - start_nm) / step_nm + 1e-9)
    last = math.ceil((LAST_NM - start_nm) / step_nm - 1e-9)
    positions = np.asarray((np.arange(FIRST_NM, LAST_NM + 1) - start_nm) / step_nm - first, dtype=np.float64)
    whole = _lagrange(positions, last - first + 1).T @ lit
    weights = np.zeros((count, 3))
    # Places that the spectrum hasn't got take its outermost value (E308), places beyond the practice range count for 0.
    np.add.at(weights, np.clip(np.arange(first, last + 1), 0, count - 1), whole)
    weights *= 100.0 / lit[:, 1].sum()
    weights.setflags(write=False)
    return weights


def _lagrange(positions: Floats, count: int) -> Floats:
    """float64 (n, count): the weights that turn `count` values at 0, 1, 2... into values at n `positions`."""
    rows = np.arange(len(positions))
    interval = np.clip(np.floor(positions + 1e-9).astype(np.int64), 0, max(count - 2, 0))
    matrix = np.zeros((len(positions), count))
    inner = (interval > 0) & (interval < count - 2)
    for chosen, size in ((inner, 4), (~inner, min(3, count))):
        first = np.clip(interval[chosen] - 1, 0, count - size)
        nodes = first[:, None] + np.arange(size)
        for k in range(size):
            others = np.delete(nodes, k, axis=1)
            weight = np.prod((positions[chosen, None] - others) / (nodes[:, [k]] - others), axis=1)
            matrix[rows[chosen], nodes[:, k]] = weight
    return matrix


@lru_cache(maxsize=32)
def _lit(illuminant: str, observer: str) -> Floats:
    """float64 (421, 3): the colour matching functions under the illuminant, at 360 to 780 nm."""
    tables = _tables()
    return np.asarray(tables[illuminant][:, None] * tables[observer])


@lru_cache(maxsize=1)
def _tables() -> dict[str, Floats]:
    data = files("worker.engine.references").joinpath("tables.npz").read_bytes()
    with np.load(io.BytesIO(data)) as tables:
        return {name: tables[name] for name in tables.files}
