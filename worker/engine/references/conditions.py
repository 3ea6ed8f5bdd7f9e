"""A colour under one light and observer, as it looks under another."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.engine.colorimetry import adapt_xyz, lab_to_xyz, xyz_to_lab
from worker.engine.references.spectrum import white_point
from worker.reading import ViewingConditions


def lab_of_xyz(xyz: npt.ArrayLike, conditions: ViewingConditions) -> Floats:
    """CIELAB, float64 (..., 3), of XYZ with Y of the white at 100, both under `conditions`."""
    return xyz_to_lab(xyz, white_point(conditions.illuminant, conditions.observer))


def lab_under(lab: npt.ArrayLike, known: ViewingConditions, wanted: ViewingConditions) -> Floats:
    """The corresponding colour, CIELAB float64 (..., 3), under `wanted` of a colour known under `known`.

    Linear Bradford adaptation of the white (Lam 1985, as in CIE 160:2004). It is a prediction: how a surface's colour
    changes with the light depends on its spectrum, and so does what another observer sees, of which nothing but the
    white is adapted.
    """
    if known == wanted:
        return np.array(lab, dtype=np.float64)
    old, new = white_point(known.illuminant, known.observer), white_point(wanted.illuminant, wanted.observer)
    return xyz_to_lab(adapt_xyz(lab_to_xyz(lab, old), old, new), new)
