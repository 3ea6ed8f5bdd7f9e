"""The artwork's own opaque shape as a board's outline: grown by an offset, and smoothed to the router's reach."""

from __future__ import annotations

import cv2
import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from worker.engine.arrays import Alpha
from worker.engine.artwork.ground import OPAQUE_FROM
from worker.errors import BoardError
from worker.outlines import CHORD_MM, arc_steps

MAX_PARTS = 5000
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
    art = _opaque(alpha, pitch_mm)
    reach = bit_mm / 2.0 + pitch_mm / 2.0  # with room for what chords and simplification take
    segments = arc_steps(offset_mm + reach, np.pi / 2.0, max(CHORD_MM, pitch_mm / 4.0))
    # A pixel's outline is traced through its centre: half a pixel more.
    grown = art.buffer(offset_mm + reach + pitch_mm / 2.0, quad_segs=segments)
    shape = grown.buffer(-reach, quad_segs=segments)
    if isinstance(shape, Polygon) and not shape.is_empty:
        return Polygon(shape.exterior).simplify(max(CHORD_MM, pitch_mm / 8.0))
    raise _in_parts(shape, offset_mm)


def _opaque(alpha: Alpha, pitch_mm: float) -> shapely.Geometry:
    mask = (alpha >= OPAQUE_FROM).view(np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    if not contours:
        raise BoardError("board silhouette: no pixel of the artwork is opaque.", mend="Check its transparency.")
    if len(contours) > MAX_PARTS:
        raise BoardError(
            f"board silhouette: the opaque artwork has {len(contours):,} parts.",
            mend="Clear away its specks, or choose rectangle, disc or a path.",
        )
    height = alpha.shape[0]
    parts = []
    for contour in contours:
        points = contour[:, 0, :].astype(np.float64) + 0.5
        points = np.column_stack([points[:, 0], height - points[:, 1]]) * pitch_mm
        # Of few points there is no area yet: growing gives it one. A line that runs back on itself is no ring.
        part = shapely.linestrings(np.vstack([points, points[:1]]))
        if len(points) >= 3:
            part = shapely.union(shapely.make_valid(shapely.polygons(points)), part)
        parts.append(part.simplify(_SIMPLER_PX * pitch_mm))
    return shapely.union_all(parts)


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
