"""What art may draw beside a circuit, layer by layer: the fab's distances kept from all that the circuit has.

Distances are measured between pixels' centres and kept by their corners, so that no layer comes nearer than it may.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt
import shapely

from worker.circuit_file import CircuitFile, Place
from worker.engine.circuit.rasters import CircuitSide, Mask, inside
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING
from worker.fab_profile import FabProfile

MAY_COPPER, MAY_METAL, MAY_OPENING, MAY_LEGEND = 1, 2, 4, 8
"""Bits of what art may draw: copper, copper that lies bare, an opening of the mask, legend."""
ALL = MAY_COPPER | MAY_METAL | MAY_OPENING | MAY_LEGEND

_CORNERS_PX = 2.0**0.5 + 0.6
"""Corners of two pixels lie nearer than their centres, by half a diagonal each; and a shape's end, round or sharp, may
reach farther than the pixels whose centres lie in it."""
_CLEAR_ZONE = 3.0
"""Of a fiducial mark, in its diameters: a clear radius of one diameter beyond its edge (SMEMA 3.1, second-hand)."""
_LETTER_GAP_MM = 1.2
"""Strokes and letters nearer than this are one word: about a cap height (common practice, no source)."""
_KEPT = {"keep-out": 0, "fiducial": 0, "antenna": MAY_LEGEND, "high-voltage": 0}


def art_may(
    side: CircuitSide,
    fab: FabProfile,
    said: CircuitFile,
    *,
    origin_mm: tuple[float, float],
    painted: Mask | None = None,
) -> npt.NDArray[np.uint8]:
    """uint8 (H, W): which layers art may draw at each pixel, as bits.

    Parameters
    ----------
    said : distances and places. origin_mm : the grid's lower left corner in the circuit's coordinates.
    painted : bool (H, W), on the same grid and seen from the same side: more that art keeps out of.
    """
    limit = {name: each.value for name, each in fab.limits.items()}
    mm = side.shape.pitch_um / 1000.0
    copper, opening, legend = (side.plane(bit) for bit in (COPPER, OPENING, LEGEND))
    foreign = copper & ~side.free_of_net
    shift, clip = limit["solder_mask", "registration_mm"], limit["legend", "clearance_mm"]
    gap, metal_gap = limit["copper", "gap_mm"], limit["copper", "metal_gap_mm"]
    may = np.full(side.stack.shape, ALL, np.uint8)
    keep = _Keeping(may, mm)
    # an opening that is shifted must not bare another net's copper, nor be narrower from it than a web
    keep(
        foreign,
        (gap, MAY_COPPER),
        (max(gap, metal_gap), MAY_METAL),
        (shift + limit["solder_mask", "web_mm"], MAY_OPENING),
    )
    keep(foreign & opening, (max(metal_gap, gap + shift), MAY_COPPER))
    keep(side.pads, (said.pads_mm, MAY_COPPER | MAY_METAL | MAY_OPENING))
    keep(opening, (max(limit["solder_mask", "web_mm"], said.pads_mm), MAY_OPENING), (clip, MAY_LEGEND))
    keep(_words(legend, mm), (max(said.legend_mm, limit["legend", "gap_mm"]), MAY_LEGEND))
    keep(legend, (clip, MAY_OPENING))
    _edges(keep, side, limit, mm)
    for x, y, diameter in side.fiducials:
        zone = shapely.Point(x, y).buffer(_CLEAR_ZONE * diameter / 2.0, quad_segs=32)
        may[inside(zone, may.shape, mm)] = 0
    for place in said.places:
        if side.side in place.sides:
            may[inside(_area(place, side, origin_mm), may.shape, mm)] &= _KEPT[place.kind]
    if painted is not None:
        may[painted] = 0
    may[(side.stack & np.uint8(BOARD)) == 0] = 0
    may.flags.writeable = False
    return may


def without_metal_near(may: npt.NDArray[np.uint8], side: CircuitSide, distance_mm: float) -> npt.NDArray[np.uint8]:
    """`art_may` without bare metal nearer than this to copper, openings and plated holes of the circuit's side."""
    mm = side.shape.pitch_um / 1000.0
    drilled = inside(shapely.unary_union([hole.polygon for hole in side.shape.holes if hole.plated]), may.shape, mm)
    out = may.copy()
    _Keeping(out, mm)(side.plane(COPPER) | side.plane(OPENING) | drilled, (distance_mm, MAY_METAL))
    out.flags.writeable = False
    return out


class _Keeping:
    """Takes bits away from what lies near something."""

    def __init__(self, may: npt.NDArray[np.uint8], mm: float) -> None:
        self.may, self.mm = may, mm

    def __call__(self, what: Mask, *kept: tuple[float, int]) -> None:
        """`kept` : distances in mm, and the bits that each takes."""
        if not what.any():
            return
        away = _away(what)
        for distance_mm, bits in kept:
            self.may[away < distance_mm / self.mm + _CORNERS_PX] &= np.uint8(ALL ^ bits)


def near(what: Mask, distance_px: float) -> Mask:
    """bool (H, W): pixels whose centre is nearer than this to one of `what`, those included."""
    return np.asarray(_away(what) < distance_px)


def _away(what: Mask) -> npt.NDArray[np.float32]:
    """float32 (H, W): how far each pixel's centre is from the nearest one of `what`, in pixels."""
    away = cv2.distanceTransform((~what).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.asarray(away, np.float32)


def _words(legend: Mask, mm: float) -> Mask:
    """The circuit's legend with the gaps between strokes and letters filled, so that names stand on one ground."""
    if not legend.any():
        return legend
    reach = _LETTER_GAP_MM / 2.0 / mm
    margin = int(np.ceil(reach)) + 1
    grown = near(np.pad(legend, margin), reach)
    return np.asarray(~near(~grown, reach))[margin:-margin, margin:-margin]


def _edges(keep: _Keeping, side: CircuitSide, limit: dict[tuple[str, str], float], mm: float) -> None:
    """The fab's distances from routed edges and holes; round plated holes that of a ring."""
    shape = side.shape
    plated = [hole.polygon for hole in shape.holes if hole.plated]
    bare = [hole.polygon for hole in shape.holes if not hole.plated]
    size = side.stack.shape
    off = ~inside(shape.polygon.difference(shapely.unary_union(bare)), size, mm)
    framed = np.pad(off, 1, constant_values=True)  # the grid may end where the board does
    beyond = _Keeping(np.full(framed.shape, ALL, np.uint8), mm)
    routed, mask, legend, ring = (
        limit[key] for key in (("edge", "routed_mm"), ("edge", "mask_mm"), ("edge", "legend_mm"), ("copper", "ring_mm"))
    )
    beyond(
        framed,
        (routed, MAY_COPPER),
        (max(mask, routed), MAY_METAL),
        (mask, MAY_OPENING),
        (legend, MAY_LEGEND),
    )
    keep.may &= beyond.may[1:-1, 1:-1]
    drilled = inside(shapely.unary_union(plated), size, mm)
    keep(drilled, (ring, MAY_COPPER), (max(mask, ring), MAY_OPENING | MAY_METAL), (legend, MAY_LEGEND))


def _area(place: Place, side: CircuitSide, origin_mm: tuple[float, float]) -> shapely.Geometry:
    """A place on the side's grid, one pixel wider so that it is kept by corners."""
    points = np.asarray(place.points, np.float64) - origin_mm
    if side.side == "bottom":
        width = side.stack.shape[1] * side.shape.pitch_um / 1000.0
        points = points * [-1.0, 1.0] + [width, 0.0]
    return shapely.make_valid(shapely.Polygon(points)).buffer(side.shape.pitch_um / 1000.0)


def within_places(places: Sequence[Place], side: CircuitSide, origin_mm: tuple[float, float]) -> Mask:
    """bool (H, W): the places drawn on this side."""
    areas = [_area(place, side, origin_mm) for place in places if side.side in place.sides]
    return inside(shapely.unary_union(areas), side.stack.shape, side.shape.pitch_um / 1000.0)
