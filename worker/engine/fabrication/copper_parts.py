"""The separate parts of a side's copper: how many, how large, where.

Nothing on an art board connects its copper to a circuit, so each part but the largest counts as a floating island.
Parts that touch at a corner alone are apart, since a fab can't hold them together there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.fabrication.bit_morphology import frame_for
from worker.engine.fabrication.bit_parts import areas_and_boxes, connected_parts
from worker.engine.fabrication.layer_bits import pack_bit
from worker.engine.fabrication.planes import COPPER, LayerPlanes

LISTED = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class CopperPart:
    """One part: its area, and the middle and sides of its box in mm, from the grid's lower left, y upward."""

    area_mm2: float
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CopperParts:
    """The parts of a side's copper.

    count : how many. parts : the largest first, LISTED at most. area_mm2 : of all. islands : all but the largest.
    islands_mm2 : their area.
    """

    count: int
    parts: tuple[CopperPart, ...]
    area_mm2: float

    @property
    def islands(self) -> int:
        """Floating islands: all parts but the largest."""
        return max(0, self.count - 1)

    @property
    def islands_mm2(self) -> float:
        """Their area."""
        return self.area_mm2 - self.parts[0].area_mm2 if self.parts else 0.0


def copper_parts(planes: LayerPlanes, *, threads: int = 1) -> CopperParts:
    """The 4-connected parts of the copper as drawn, hatches counted as solid."""
    frame = frame_for(planes.height_px, planes.width_px, largest_px=1)
    copper = pack_bit(planes.stack, COPPER, frame, threads=threads)
    parts = connected_parts(copper, corners=False, threads=threads)
    areas, boxes = areas_and_boxes(parts, frame)
    mm = planes.pitch_um / 1000.0
    order = np.argsort(-areas, kind="stable")[:LISTED]
    return CopperParts(
        count=parts.count,
        parts=tuple(_part(int(areas[i]), [int(side) for side in boxes[i]], planes.height_px, mm) for i in order),
        area_mm2=float(areas.sum()) * mm * mm,
    )


def _part(area_px: int, box: list[int], height_px: int, mm: float) -> CopperPart:
    left, top, right, bottom = box
    return CopperPart(
        area_mm2=area_px * mm * mm,
        x_mm=(left + right) / 2 * mm,
        y_mm=(height_px - (top + bottom) / 2) * mm,
        width_mm=(right - left) * mm,
        height_mm=(bottom - top) * mm,
    )
