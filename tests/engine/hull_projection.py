"""Projection onto the hull of a few points, a second time: weights of sum 1 by scipy's non-negative least squares."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy.optimize

from worker.engine.colorimetry import D65_WHITE, linear_rgb_to_xyz

Floats = npt.NDArray[np.float64]

_WEIGHT_OF_THE_SUM = 1e4


def projected(points: Floats, vertices: Floats) -> Floats:
    """The point of the vertices' convex hull nearest to each point, (m, 3): Lawson and Hanson's method.

    That the weights sum to 1 is one more equation, weighted so heavily that it holds to about 1e-8.
    """
    matrix = np.vstack([vertices.T, np.full(len(vertices), _WEIGHT_OF_THE_SUM)])
    out = np.empty_like(points)
    for i, point in enumerate(points):
        weights, _ = scipy.optimize.nnls(matrix, np.append(point, _WEIGHT_OF_THE_SUM), maxiter=1000)
        out[i] = weights @ vertices / weights.sum()
    return out


def opponent_of(linear_rgb: Floats) -> Floats:
    """The metric of the projection: Y, X/Xn - Y, Y - Z/Zn, with Y of white 1."""
    x, y, z = np.moveaxis(linear_rgb_to_xyz(linear_rgb) / D65_WHITE, -1, 0)
    return np.stack([y, x - y, y - z], axis=-1)


def linear_rgb_of(opponent: Floats) -> Floats:
    """Linear sRGB of (Y, X/Xn - Y, Y - Z/Zn)."""
    columns = opponent_of(np.eye(3)).T
    return np.asarray(opponent @ np.linalg.inv(columns).T)
