"""The neutral surround: small samples of it all round, for the flat field."""

from __future__ import annotations

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.references.photograph.orientation import UNIT_SQUARE
from worker.engine.references.photograph.patches import PatchLight, patch_light
from worker.engine.references.photograph.picture import CameraPicture
from worker.engine.references.photograph.places import Quad, seen_at, to_pixels
from worker.errors import PhotographError
from worker.patch_map import Rectangle

CELL_MM = 8.0
MIN_SAMPLES = 12
"""Twice the six terms of the flat field; 24 suffice in a simulation."""
_CARD = 0.15  # how far the chart's card may reach beyond its patches, of its size


def surround_light(
    picture: CameraPicture, to_px: Floats, surround: tuple[Rectangle, ...], chart: Quad, nominal: Floats
) -> list[PatchLight]:
    """Samples of the surround that are in the picture and not under the chart.

    Raises PhotographError where the map has a surround of which fewer than MIN_SAMPLES are seen.
    """
    if not surround:
        return []
    samples = []
    for corners in (seen_at(to_px, cell.corners) for rectangle in surround for cell in _cells(rectangle)):
        if not _under(corners, chart):
            try:
                samples.append(patch_light(picture, corners, nominal, "a sample of the surround"))
            except PhotographError:  # out of the picture, or too few pixels: there are others
                continue
    if len(samples) < MIN_SAMPLES:
        raise PhotographError(
            f"{picture.name}: {len(samples)} samples of the neutral surround are seen; {MIN_SAMPLES} are the least.",
            mend="Show the plain card all round coupon and chart, or take the surround out of the patch map.",
        )
    return samples


def _cells(rectangle: Rectangle) -> list[Rectangle]:
    across, down = (max(1, round(side / CELL_MM)) for side in (rectangle.width, rectangle.height))
    width, height = rectangle.width / across, rectangle.height / down
    return [
        Rectangle(x=rectangle.x + i * width, y=rectangle.y + j * height, width=width, height=height)
        for j in range(down)
        for i in range(across)
    ]


def _under(corners: Floats, chart: Quad) -> bool:
    """Whether a place in pixels may be covered by the chart's card."""
    inverse = to_pixels(chart, UNIT_SQUARE, "chart")
    places = seen_at(inverse, corners)
    low, high = places.min(axis=0), places.max(axis=0)
    return bool(np.all(high > -_CARD) and np.all(low < 1.0 + _CARD))
