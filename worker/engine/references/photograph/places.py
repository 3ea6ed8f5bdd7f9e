"""Where things are in a photograph: from a plane of mm, or of the chart, to pixels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.errors import PhotographError
from worker.patch_map import Point, Quad, clockwise


def to_pixels(plane: Quad, seen: Quad, what: str) -> Floats:
    """The homography, float64 (3, 3), that carries four corners of a plane to where they are seen.

    Raises PhotographError where the corners that are seen don't go clockwise round an area.
    """
    import cv2

    if not clockwise(seen):
        raise PhotographError(
            f"The {what}'s corners {shown(seen)} don't go clockwise round an area.",
            mend=f"Give the {what}'s corners in pixels, clockwise, beginning with its own upper left one.",
        )
    source, target = (np.array(quad, np.float32) for quad in (plane, seen))
    return np.asarray(cv2.getPerspectiveTransform(source, target), dtype=np.float64)


def seen_at(homography: Floats, points: npt.ArrayLike) -> Floats:
    """Pixels, float64 (n, 2), of points of the plane (n, 2)."""
    at = np.asarray(points, dtype=np.float64)
    carried = np.column_stack([at, np.ones(len(at))]) @ homography.T
    return np.asarray(carried[:, :2] / carried[:, 2:])


def shown(quad: Sequence[Point]) -> str:
    """Corners as a person types them."""
    return " ".join(f"{x:.0f},{y:.0f}" for x, y in quad)


def as_quad(points: npt.ArrayLike) -> Quad:
    """Four points as a quad."""
    a, b, c, d = ((float(x), float(y)) for x, y in np.asarray(points))
    return (a, b, c, d)
