"""From the camera's linear light to XYZ: root-polynomial colour correction, and how far it can be trusted.

Source: Finlayson, Mackiewicz and Hurlbert, "Color correction using root-polynomial regression", IEEE Transactions on
Image Processing 24 (2015); computed by colour-science. A root polynomial doesn't care for exposure, so a coupon may be
dimmer than the chart. The fit's own error on the chart says nothing: it falls with every term while other colours go
astray. Its error on a patch that was left out says how it does on colours it hasn't seen. With 24 patches no degree
above 2 is ever used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.colorimetry import xyz_to_lab
from worker.engine.difference import ciede2000
from worker.engine.references.photograph.chart import chart_xyz
from worker.engine.references.photograph.colour_science import load_colour

DEGREES = (2, 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Correction:
    """A matrix of this degree, and the CIEDE2000 of each chart patch (24,) when it was left out of the fit."""

    degree: int
    matrix: Floats
    left_out: Floats

    def xyz(self, linear: Floats) -> Floats:
        """XYZ D65/2 (n, 3), Y of the white at 1, from linear light (n, 3)."""
        return _applied(linear, self.matrix, self.degree)


def fit_correction(linear: Floats) -> Correction:
    """Fit the chart's linear light (24, 3) by degree 2, or by degree 1 where that does better on patches left out."""
    fits = [_fit(linear, degree) for degree in DEGREES]
    return min(fits, key=lambda fit: float(fit.left_out.mean()))


def _fit(linear: Floats, degree: int) -> Correction:
    return Correction(degree=degree, matrix=_matrix(linear, chart_xyz(), degree), left_out=_left_out(linear, degree))


def _left_out(linear: Floats, degree: int) -> Floats:
    wanted = chart_xyz()
    guesses = np.empty_like(wanted)
    for i in range(len(wanted)):
        others = np.arange(len(wanted)) != i
        matrix = _matrix(linear[others], wanted[others], degree)
        guesses[i] = _applied(linear[i : i + 1], matrix, degree)[0]
    return ciede2000(xyz_to_lab(guesses), xyz_to_lab(wanted))


def _matrix(linear: Floats, xyz: Floats, degree: int) -> Floats:
    correction = load_colour().characterisation
    return np.asarray(correction.matrix_colour_correction_Finlayson2015(linear, xyz, degree, True))


def _applied(linear: Floats, matrix: Floats, degree: int) -> Floats:
    correction = load_colour().characterisation
    return np.asarray(correction.apply_matrix_colour_correction_Finlayson2015(linear, matrix, degree, True))
