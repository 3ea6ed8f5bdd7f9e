"""The picture of what has changed in one layer: as it was in grey, what came in blue, what went in orange, with marks.

At most 2,048 pixels long. Where a pixel stands for several, a change in any of them shows, so that none gets lost.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Srgb
from worker.engine.fabrication.grid import NM_PER_MM
from worker.engine.fabrication.layer_changes import Changes, LayerChange, wide_parts

LONGEST_PX = 2048
GROUND, KEPT, ADDED, REMOVED, MARK = (255, 255, 255), (200, 200, 200), (0, 90, 255), (230, 97, 0), (0, 0, 0)
"""Blue and orange differ for all common kinds of colour blindness."""
_LEAST_MARK_PX = 24


def change_picture(change: LayerChange, changes: Changes) -> Srgb | None:
    """uint8 (h, w, 3), encoded sRGB; None for holes, which are listed as numbers. Places carry their numbers."""
    if change.before is None or change.after is None:
        return None
    block = -(-max(change.before.shape) // LONGEST_PX)
    picture = np.full((*_reduced(change.before, block).shape, 3), GROUND, np.uint8)
    picture[_reduced(change.before & change.after, block)] = KEPT
    picture[_reduced(wide_parts(change.after & ~change.before), block)] = ADDED
    picture[_reduced(wide_parts(change.before & ~change.after), block)] = REMOVED
    return _marked(picture, change, changes, block)


def _reduced(plane: npt.NDArray[np.bool_], block: int) -> npt.NDArray[np.bool_]:
    """A pixel for each block, true where any of it is."""
    if block == 1:
        return plane
    rows = np.logical_or.reduceat(plane, np.arange(0, plane.shape[0], block), axis=0)
    return np.asarray(np.logical_or.reduceat(rows, np.arange(0, plane.shape[1], block), axis=1))


def _marked(picture: Srgb, change: LayerChange, changes: Changes, block: int) -> Srgb:
    from PIL import Image, ImageDraw

    image = Image.fromarray(picture)
    draw = ImageDraw.Draw(image)
    pixel_mm = block * changes.grid.pitch_nm / NM_PER_MM
    height_px = changes.grid.height_px / block
    for number, place in enumerate(change.places, 1):
        x = (place.x_mm - changes.origin_mm[0]) / pixel_mm
        y = height_px - (place.y_mm - changes.origin_mm[1]) / pixel_mm
        half_x = max(place.width_mm / pixel_mm, _LEAST_MARK_PX) / 2.0 + 4
        half_y = max(place.height_mm / pixel_mm, _LEAST_MARK_PX) / 2.0 + 4
        draw.rectangle((x - half_x, y - half_y, x + half_x, y + half_y), outline=MARK, width=2)
        at = (min(max(x - half_x, 0), image.width - 30), max(y - half_y - 22, 0))
        draw.text(at, str(number), fill=MARK, font_size=20)
    return np.asarray(image)
