"""Polished metals for tests.

`tests/data/metal_reflectance_10nm.csv`: optical constants n, k and reflectance at normal incidence of gold, copper,
silver and nickel, and of 50 and 100 nm of gold on nickel. The constants are those of Johnson and Christy, Physical
Review B 6 (1972) and 9 (1974), as the public refractive-index database holds them (its data files are CC0).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import numpy.typing as npt

from worker.reading import Spectrum

FILE = Path(__file__).parents[2] / "data" / "metal_reflectance_10nm.csv"


def column(name: str) -> npt.NDArray[np.float64]:
    """One column of the file, at 400, 410, ... 700 nm."""
    with FILE.open(newline="") as file:
        return np.array([float(row[name]) for row in csv.DictReader(file)])


def metal(name: str, *, times: float = 1.0) -> Spectrum:
    """Reflectance of a metal (Au, Cu, Ag, Ni, Au50_on_Ni, Au100_on_Ni); a dull surface reflects `times` as much."""
    return Spectrum(start_nm=400.0, step_nm=10.0, values=tuple((times * column(f"{name}_R")).tolist()))
