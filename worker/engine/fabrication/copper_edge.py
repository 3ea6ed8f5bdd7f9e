"""Copper under cut lines: the router and the score cut into it, and tear or smear it over the edge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from worker.engine.fabrication.bit_morphology import count, disc_within, erode, frame_for
from worker.engine.fabrication.bit_parts import areas_and_boxes, connected_parts
from worker.engine.fabrication.border_rule import whole_pixels
from worker.engine.fabrication.layer_bits import pack_bit
from worker.engine.fabrication.planes import BOARD, COPPER, LayerPlanes
from worker.fab_profile import FabProfile

Edge = Literal["routed", "scored"]
LISTED = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class CopperAtEdge:
    """Copper nearer to the board's edge, cut-outs and holes than the fab allows.

    limit_mm : the distance wanted. area_mm2 : of such copper. places_mm : middles of its parts, (x, y upward), the
    largest first, LISTED at most. count : how many parts.
    """

    limit_mm: float
    area_mm2: float
    count: int
    places_mm: tuple[tuple[float, float], ...]


def copper_at_edge(planes: LayerPlanes, fab: FabProfile, *, edge: Edge = "routed", threads: int = 1) -> CopperAtEdge:
    """Where copper comes too near to an edge. What lies outside the grid is no board."""
    limit = fab.limits["edge", f"{edge}_mm"].value_mm
    reach = whole_pixels(limit, planes.pitch_um)
    frame = frame_for(planes.height_px, planes.width_px, largest_px=2 * reach + 1)
    board = pack_bit(planes.stack, BOARD, frame, threads=threads)
    copper = pack_bit(planes.stack, COPPER, frame, threads=threads)
    near = copper & ~erode(board, disc_within(float(reach)), threads=threads)
    parts = connected_parts(near, corners=True, threads=threads)
    areas, boxes = areas_and_boxes(parts, frame)
    mm = planes.pitch_um / 1000.0
    order = np.argsort(-areas, kind="stable")[:LISTED]
    middles = [(boxes[i, 0] + boxes[i, 2], boxes[i, 1] + boxes[i, 3]) for i in order]
    return CopperAtEdge(
        limit_mm=limit,
        area_mm2=count(near) * mm * mm,
        count=parts.count,
        places_mm=tuple((float(x) / 2 * mm, (planes.height_px - float(y) / 2) * mm) for x, y in middles),
    )
