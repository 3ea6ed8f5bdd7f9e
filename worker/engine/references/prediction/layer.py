"""A layer that scatters and absorbs, over any ground: Kubelka and Munk's solution in terms of two reflectances.

Sources: Kubelka and Munk, Zeitschrift fuer technische Physik 12 (1931) 593; Kubelka, Journal of the Optical Society of
America 38 (1948) 448, both from memory. All reflectances are internal, below the layer's surface.

With a = 1 + K/S, b = sqrt(a^2 - 1), c = b coth(bSX), the layer over a ground G reflects (1 - G (a - c)) / (a - G + c).
That is R0 + T^2 G / (1 - R0 G), with R0 = 1 / (a + c) over black and the transmittance T; unlike a and c these two
stay finite where the layer hardly scatters, so a layer is kept as R0 and T^2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """A layer by wavelength: its reflectance over black, and its transmittance squared, float64 (..., n)."""

    r0: Floats
    t2: Floats

    def over(self, ground: npt.ArrayLike) -> Floats:
        """Reflectance of the layer over a ground."""
        g = np.asarray(ground, dtype=np.float64)
        return np.asarray(self.r0 + self.t2 * g / (1.0 - self.r0 * g))


def layer_between(stacks: Floats, grounds: Floats) -> Layer:
    """The layer that shows as `stacks` over `grounds`.

    Linear in R0 and m = R0^2 - T^2: R = R0 (1 + R G) - m G. Two grounds give both exactly, more by least squares.

    Parameters
    ----------
    stacks, grounds : float64 (k, ..., n)
        Internal reflectances of the layer over each ground, and of the grounds; k >= 2, grounds that differ.
    """
    p, q = 1.0 + stacks * grounds, -grounds
    pp, pq, qq = (p * p).sum(axis=0), (p * q).sum(axis=0), (q * q).sum(axis=0)
    py, qy = (p * stacks).sum(axis=0), (q * stacks).sum(axis=0)
    determinant = pp * qq - pq * pq
    r0 = (py * qq - qy * pq) / determinant
    m = (qy * pp - py * pq) / determinant
    return Layer(r0=r0, t2=r0 * r0 - m)


def clear_layer_between(stacks: Floats, grounds: Floats) -> Layer:
    """The layer that only absorbs (Beer and Lambert: R = T^2 G, T = exp(-KX)), by least squares over k >= 1 grounds."""
    t2 = (stacks * grounds).sum(axis=0) / (grounds * grounds).sum(axis=0)
    return Layer(r0=np.zeros_like(t2), t2=t2)


def layer_of(absorption: npt.ArrayLike, scattering: npt.ArrayLike, thickness: float = 1.0) -> Layer:
    """The layer of Kubelka and Munk's K and S, both per unit of thickness, float64 (n,)."""
    k, s = (np.asarray(value, dtype=np.float64) for value in (absorption, scattering))
    # With g = sqrt(K (K + 2S)): R0 = S sinh gX / (g cosh gX + (K + S) sinh gX), T = g / the same; whole for S = 0.
    g = np.sqrt(np.maximum(k * (k + 2.0 * s), 1e-24))
    sinh, cosh = np.sinh(g * thickness), np.cosh(g * thickness)
    below = g * cosh + (k + s) * sinh
    return Layer(r0=s * sinh / below, t2=(g / below) ** 2)


def coefficients(layer: Layer) -> tuple[Floats, Floats]:
    """Kubelka and Munk's a = 1 + K/S, and SX, of a layer that scatters: float64 (..., n) each."""
    m = layer.r0**2 - layer.t2
    a, c = (1.0 + m) / (2.0 * layer.r0), (1.0 - m) / (2.0 * layer.r0)
    b = np.sqrt(a * a - 1.0)
    return a, np.asarray(np.arctanh(b / c) / b)
