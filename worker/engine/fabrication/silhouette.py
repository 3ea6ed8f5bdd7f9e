"""The artwork's own opaque shape as a board's outline: grown by an offset, and smoothed to the router's reach."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import MultiPolygon, Polygon

from worker.engine.arrays import Alpha, Floats
from worker.engine.artwork.ground import OPAQUE_FROM
from worker.errors import BoardError
from worker.outlines import CHORD_MM, arc_steps

MAX_PARTS = 2000
MAX_PIXELS = 25_000_000
"""Of the grid that the shape is grown on. A larger board's outline is rounded to its coarser pixels."""

_SIMPLER_PX = 0.75


def silhouette(alpha: Alpha | None, *, pitch_mm: float, offset_mm: float, bit_mm: float) -> Polygon:
    """The outer line of the opaque artwork, grown.

    Holes of the artwork stay board. Inlets that the router's bit can't enter are filled: a closing by a disc of its
    radius.

    Parameters
    ----------
    alpha : uint8 (H, W) or None

    Returns
    -------
    Polygon with no holes, in mm from the grid's lower left, y upward; it may reach beyond the grid by the offset.

    Raises
    ------
    BoardError
        The artwork is opaque or empty, or its shape falls into several parts; says by how much they are apart.
    """
    if alpha is None:
        raise BoardError(
            "board silhouette: the artwork is opaque everywhere.",
            mend="Make what is round the shape transparent, or choose rectangle, disc or a path.",
        )
    reach = bit_mm / 2.0 + pitch_mm / 2.0  # with room for what chords and simplification take
    mask, step = _opaque(alpha)
    grown = _within(mask, offset_mm + reach, step * pitch_mm)
    height_mm = alpha.shape[0] * pitch_mm
    segments = arc_steps(reach, np.pi / 2.0, max(CHORD_MM, pitch_mm / 16.0))
    shape = shapely.transform(
        grown.buffer(-reach, quad_segs=segments), lambda xy: np.array([0.0, height_mm]) - xy * _TURN
    )
    if isinstance(shape, Polygon) and not shape.is_empty:
        return Polygon(shape.exterior).simplify(max(CHORD_MM, pitch_mm / 16.0))
    raise _in_parts(shape, offset_mm)


_TURN = np.array([-1.0, 1.0])


def _opaque(alpha: Alpha) -> tuple[npt.NDArray[np.uint8], int]:
    """Where the artwork is opaque, 1 or 0, in blocks of so many pixels that a large board's fit into MAX_PIXELS."""
    step = math.ceil(math.sqrt(alpha.size / MAX_PIXELS))
    mask = (alpha >= OPAQUE_FROM).view(np.uint8)
    if not mask.any():
        raise BoardError("board silhouette: no pixel of the artwork is opaque.", mend="Check its transparency.")
    if step == 1:
        return mask, 1
    padded = np.pad(mask, [(0, -side % step) for side in mask.shape])
    blocks = padded.reshape(padded.shape[0] // step, step, padded.shape[1] // step, step)
    return np.asarray(blocks.max(axis=(1, 3))), step


def _within(mask: npt.NDArray[np.uint8], distance_mm: float, pixel_mm: float) -> shapely.Geometry:
    """What lies within a distance of the mask, in mm from its upper left corner, y downward: without inner holes."""
    wanted = distance_mm / pixel_mm + 0.5  # from the centres of its pixels
    border = math.ceil(wanted) + 2
    distance = cv2.distanceTransform(1 - np.pad(mask, border), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    near = (distance <= wanted).view(np.uint8)
    contours, _ = cv2.findContours(near, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if len(contours) > MAX_PARTS:
        raise BoardError(
            f"board silhouette: the opaque artwork falls into {len(contours):,} parts.",
            mend="Clear away its specks, give a larger offset, or choose rectangle, disc or a path.",
        )
    parts = []
    for contour in contours:
        points = _on_the_line(contour[:, 0, :], distance, wanted)
        ring = shapely.linearrings((points + 0.5 - border) * pixel_mm)
        parts.append(shapely.make_valid(Polygon(ring)).simplify(_SIMPLER_PX * pixel_mm))
    return shapely.union_all(parts)


def _on_the_line(points: npt.NDArray[Any], distance: npt.NDArray[Any], wanted: float) -> Floats:
    """Contour points moved along the distance's slope to where it is what is wanted: one step of Newton's method.

    `points` int32 (n, 2), column and row; `distance` float32.
    """
    x, y = points.T
    slope = np.stack([distance[y, x + 1] - distance[y, x - 1], distance[y + 1, x] - distance[y - 1, x]], axis=1) / 2.0
    steep = np.maximum((slope * slope).sum(axis=1), 0.25)
    moved = points + slope * (np.clip(wanted - distance[y, x], -1.5, 1.5) / steep)[:, None]
    return np.asarray(moved, dtype=np.float64)


def _in_parts(shape: shapely.Geometry, offset_mm: float) -> BoardError:
    parts = sorted(shapely.get_parts(MultiPolygon(shape) if not shape.is_empty else shape), key=lambda p: -p.area)
    if not parts:
        return BoardError("board silhouette: nothing is left of the artwork's shape.", mend="Give it an offset.")
    apart = 0.0
    joined, rest = parts[0], list(parts[1:])
    while rest and len(rest) < 200:
        distances = shapely.distance(np.array(rest), joined)
        nearest = int(distances.argmin())
        apart = max(apart, float(distances[nearest]))
        joined = joined.union(rest.pop(nearest))
    x, y = parts[-1].representative_point().coords[0]
    enough = f", {offset_mm + apart / 2.0 + 0.1:.2g}mm would do" if apart else ""
    return BoardError(
        f"board silhouette: at an offset of {offset_mm:g} mm the shape falls into {len(parts)} parts, the smallest at "
        f"{x:.2f}, {y:.2f} mm from the artwork's lower left.",
        mend=f"A board is one piece: give a larger offset{enough}, join the parts of the artwork, or clear specks.",
    )
