"""How sharp a board's outside corners are: the points that cut."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from worker.engine.arrays import Floats

REACH_MM = 0.5
"""A corner is looked at between the points so far along the edge on either side: one that is rounded with a radius of
half a millimetre or more is no point, whatever its angle (a recommendation)."""


def sharpest_corner(rings: Iterable[Floats]) -> tuple[float, float, float] | None:
    """Angle (degree) of the board at its sharpest outside corner, and where it is (x, y, mm); None where none juts out.

    `rings` : float64 (n, 2), mm, y upward, the first point not repeated: the outline counter-clockwise, cut-outs
    clockwise, so the board lies on the left of each.
    """
    corners = [corner for ring in rings if (corner := _sharpest(np.asarray(ring, np.float64))) is not None]
    return min(corners, default=None)


def _sharpest(ring: Floats) -> tuple[float, float, float] | None:
    lengths = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    ring, lengths = ring[lengths > 0.0], lengths[lengths > 0.0]
    total = float(lengths.sum())
    reach = min(REACH_MM, total / 8.0)
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    closed = np.concatenate([ring, ring[:1]])
    places = along[:-1]

    def at(distance: Floats) -> Floats:
        wrapped = np.mod(distance, total)
        return np.stack([np.interp(wrapped, along, closed[:, axis]) for axis in (0, 1)], axis=1)

    back, ahead = at(places - reach) - ring, at(places + reach) - ring
    outward = ahead[:, 0] * back[:, 1] - ahead[:, 1] * back[:, 0] > 0.0
    if not outward.any():
        return None
    cosines = np.sum(back * ahead, axis=1) / (np.linalg.norm(back, axis=1) * np.linalg.norm(ahead, axis=1))
    angles = np.where(outward, np.degrees(np.arccos(np.clip(cosines, -1.0, 1.0))), math.inf)
    i = int(angles.argmin())
    return float(angles[i]), float(ring[i, 0]), float(ring[i, 1])
