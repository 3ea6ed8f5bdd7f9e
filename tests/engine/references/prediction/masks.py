"""Synthetic masks over known grounds: made by integrating the differential equation's solution, read through a surface.

Invented: a green mask of two absorption bands (430 and 640 nm, both 50 nm wide) and a scattering that falls with the
wavelength, over paints, a laminate and the copper of Johnson and Christy (see `metals`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tests.engine.references.metals import column
from worker.engine.references.prediction.predict import Known, Stack
from worker.reading import Spectrum

NM = np.arange(400.0, 701.0, 10.0)
Values = npt.NDArray[np.float64]

GROUNDS: dict[str, Values] = {
    "black": np.full(31, 0.05),
    "white": 0.84 + 0.0001 * (NM - 400.0),
    "laminate": 0.18 + 0.22 / (1.0 + np.exp(-(NM - 500.0) / 40.0)),
    "copper": column("Cu_R"),
}
ABSORPTION = 0.08 + 1.6 * np.exp(-(((NM - 430.0) / 50.0) ** 2)) + 1.3 * np.exp(-(((NM - 640.0) / 50.0) ** 2))
SCATTERING = 0.12 * (550.0 / NM) ** 1.5

K1, K2 = 0.04, 0.59635


def kubelka_munk(ground: Values, k: Values = ABSORPTION, s: Values = SCATTERING) -> Values:
    """R = (1 - G (a - c)) / (a - G + c), a = (K + S) / S, c = b coth(bS): Kubelka 1948, as a textbook writes it."""
    a = (k + s) / s
    b = np.sqrt(a * a - 1.0)
    c = b / np.tanh(b * s)
    return np.asarray((1.0 - ground * (a - c)) / (a - ground + c))


def internal(read: Values) -> Values:
    """Saunderson backwards, specular included."""
    return np.asarray((read - K1) / ((1.0 - K1) * (1.0 - K2) + K2 * (read - K1)))


def read(inside: Values) -> Values:
    """Saunderson forwards, specular included."""
    return np.asarray(K1 + (1.0 - K1) * (1.0 - K2) * inside / (1.0 - K2 * inside))


def below(name: str) -> Values:
    """What the mask meets: copper as read, other grounds without their own surface."""
    return GROUNDS[name] if name == "copper" else internal(GROUNDS[name])


def masked(name: str) -> Values:
    """The mask over a ground, as d:8 SCI reads it."""
    return read(kubelka_munk(below(name)))


def spectrum(values: Values) -> Spectrum:
    return Spectrum(start_nm=400.0, step_nm=10.0, values=tuple(np.clip(values, 0.0, 2.0).tolist()))


def known(
    name: str, values: Values, *, chance: np.random.Generator | None = None, readings: int = 1, noise: float = 0.0
) -> Known:
    """A sample with some readings, each with noise of its own."""
    rows = [values if chance is None else values + chance.normal(0.0, noise, 31) for _ in range(readings)]
    return Known(name=name, spectra=tuple(spectrum(row) for row in rows), metallic=name == "copper")


def stack(name: str, *, chance: np.random.Generator | None = None, readings: int = 1, noise: float = 0.0) -> Stack:
    """The mask over a ground, and the ground."""
    return Stack(
        masked=known(f"mask on {name}", masked(name), chance=chance, readings=readings, noise=noise),
        ground=known(name, GROUNDS[name], chance=chance, readings=readings, noise=noise),
    )
