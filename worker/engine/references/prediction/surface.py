"""What the surface of a mask adds to a reading, and what it keeps inside.

Sources: Saunderson, Journal of the Optical Society of America 32 (1942) 727, from memory; Fresnel's equations. Light is
unpolarised, the surface is smooth, and light inside the mask is diffuse.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.errors import PredictionError

INDEX = 1.5
"""Refractive index of epoxy and acrylic resins, nearly (common practice, no source)."""

_DIFFUSE = re.compile(r"(?:d:[08]|[08]:d) (SCI|SCE)", re.IGNORECASE)
_DIRECTED = re.compile(r"(?:45[ac]?:0|0:45[ac]?)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A reading is `added` + `through` Ri / (1 - `inside` Ri), Ri being the reflectance below the surface."""

    added: float
    through: float
    inside: float

    def measured(self, internal: npt.ArrayLike) -> Floats:
        """What is read where the reflectance below the surface is this."""
        ri = np.asarray(internal, dtype=np.float64)
        return np.asarray(self.added + self.through * ri / (1.0 - self.inside * ri))

    def internal(self, measured: npt.ArrayLike) -> Floats:
        """The reflectance below the surface, from a reading; not below 0."""
        beyond = np.maximum(np.asarray(measured, dtype=np.float64) - self.added, 0.0)
        return np.asarray(beyond / (self.through + self.inside * beyond))


def saunderson(k1: float, k2: float, *, specular: bool) -> Surface:
    """The surface of Saunderson's formula: `k1` is reflected outside, `k2` inside; `specular` where k1 is read too."""
    return Surface(added=k1 if specular else 0.0, through=(1.0 - k1) * (1.0 - k2), inside=k2)


def surface_of(geometry: str, index: float = INDEX) -> Surface:
    """The surface of a smooth mask as an instrument of this geometry reads it.

    Diffuse geometries (d:8, 8:d) are Saunderson's: by reciprocity the directed side gives k1, the diffuse one k2. With
    45:0 light comes in at 45 degrees and is read where it leaves upright, in the solid angle that refraction widens.

    Raises
    ------
    PredictionError
        The geometry does not tell whether the mirror reflection was read.
    """
    k2 = internal_diffuse(index)
    diffuse = _DIFFUSE.fullmatch(" ".join(geometry.split()))
    if diffuse:
        return saunderson(normal_reflectance(index), k2, specular=diffuse[1].upper() == "SCI")
    if _DIRECTED.fullmatch("".join(geometry.split())):
        passed = (1.0 - float(reflectance(index, math.radians(45.0)))) * (1.0 - normal_reflectance(index))
        return Surface(added=0.0, through=passed / index**2, inside=k2)
    raise PredictionError(
        f"Readings of geometry {geometry!r} do not tell whether the surface's mirror reflection was read.",
        mend="Use spectra of 45:0, d:8 SCI or d:8 SCE.",
    )


def mirror_read(geometry: str) -> bool | None:
    """Whether an instrument of this geometry reads the mirror reflection; None where the geometry does not tell."""
    found = _DIFFUSE.fullmatch(" ".join(geometry.split()))
    if found:
        return found[1].upper() == "SCI"
    return False if _DIRECTED.fullmatch("".join(geometry.split())) else None


def reads_mirror(geometry: str) -> bool:
    """Whether an instrument of this geometry reads the mirror reflection."""
    return mirror_read(geometry) is True


def normal_reflectance(index: float) -> float:
    """Fresnel reflectance at normal incidence."""
    return ((index - 1.0) / (index + 1.0)) ** 2


def reflectance(index: float, angle: npt.ArrayLike) -> Floats:
    """Fresnel reflectance of unpolarised light from air, at an angle from the normal in radians."""
    cos_in = np.cos(angle)
    cos_out = np.sqrt(1.0 - (np.sin(angle) / index) ** 2)
    across = (cos_in - index * cos_out) / (cos_in + index * cos_out)
    along = (index * cos_in - cos_out) / (index * cos_in + cos_out)
    return np.asarray((across**2 + along**2) / 2.0)


@cache
def external_diffuse(index: float) -> float:
    """Reflectance for diffuse light from air: the integral of Fresnel's over the hemisphere, by Gauss's rule."""
    nodes, weights = np.polynomial.legendre.leggauss(200)
    angle = (nodes + 1.0) * math.pi / 4.0
    return float(np.sum(weights * reflectance(index, angle) * np.sin(2.0 * angle)) * math.pi / 4.0)


def internal_diffuse(index: float) -> float:
    """Reflectance for diffuse light from inside: what gets out is what gets in, over the square of the index."""
    return 1.0 - (1.0 - external_diffuse(index)) / index**2
