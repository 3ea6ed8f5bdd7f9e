"""The picture of what has changed in one layer: as it was in grey, what came in blue, what went in orange, with marks.

At most 2,048 pixels long. Where a pixel stands for several, a change in any of them shows, so that none gets lost.
"""

from __future__ import annotations

import numpy as np

from worker.engine.arrays import Srgb
from worker.engine.fabrication.grid import NM_PER_MM
from worker.engine.fabrication.layer_changes import Changes, LayerChange, wide_parts
from worker.engine.fabrication.pixel_blocks import any_in_blocks
from worker.engine.report.marked_places import LEAST_MARK_PX, marked, pixels_for_each

GROUND, KEPT, ADDED, REMOVED = (255, 255, 255), (200, 200, 200), (0, 90, 255), (230, 97, 0)
"""Blue and orange differ for all common kinds of colour blindness."""


def change_picture(change: LayerChange, changes: Changes) -> Srgb | None:
    """uint8 (h, w, 3), encoded sRGB; None for holes, which are listed as numbers. Places carry their numbers."""
    if change.before is None or change.after is None:
        return None
    block = pixels_for_each(*change.before.shape)
    picture = np.full((*any_in_blocks(change.before, block).shape, 3), GROUND, np.uint8)
    picture[any_in_blocks(change.before & change.after, block)] = KEPT
    picture[any_in_blocks(wide_parts(change.after & ~change.before), block)] = ADDED
    picture[any_in_blocks(wide_parts(change.before & ~change.after), block)] = REMOVED
    return _marked(picture, change, changes, block)


def _marked(picture: Srgb, change: LayerChange, changes: Changes, block: int) -> Srgb:
    pixel_mm = block * changes.grid.pitch_nm / NM_PER_MM
    height_px = changes.grid.height_px / block
    frames = [
        (
            (place.x_mm - changes.origin_mm[0]) / pixel_mm,
            height_px - (place.y_mm - changes.origin_mm[1]) / pixel_mm,
            max(place.width_mm / pixel_mm, LEAST_MARK_PX) / 2.0 + 4,
            max(place.height_mm / pixel_mm, LEAST_MARK_PX) / 2.0 + 4,
        )
        for place in change.places
    ]
    return marked(picture, frames)
