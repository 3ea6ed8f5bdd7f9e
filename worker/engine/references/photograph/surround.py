"""The neutral surround: small samples of it all round, for the flat field."""

from __future__ import annotations

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.references.photograph.chart import COLUMNS, ROWS
from worker.engine.references.photograph.flat_field import fit_flat_field
from worker.engine.references.photograph.orientation import UNIT_SQUARE
from worker.engine.references.photograph.patches import PatchLight, patch_light
from worker.engine.references.photograph.picture import CameraPicture
from worker.engine.references.photograph.places import seen_at, to_pixels
from worker.errors import PhotographError
from worker.patch_map import Quad, Rectangle

CELL_MM = 8.0
MIN_SAMPLES = 12
"""Twice the six terms of the flat field; 24 suffice in a simulation."""
_CARD = 0.15  # how far the chart's card may reach beyond its patches, of its size
_NEAR = (0.18, 0.34)  # a ring round the chart, from and to so far beyond its patches, of its height
_ALIKE = 0.08  # how far the light of a sample there may be from what the others let expect


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
    return samples + beside_chart(picture, samples, chart, nominal)


def beside_chart(picture: CameraPicture, known: list[PatchLight], chart: Quad, nominal: Floats) -> list[PatchLight]:
    """Samples of the same surround round the chart, where it is seen there.

    A coupon's map can't know where a loose chart lies, and the light there would be extrapolated from round the coupon.
    """
    to_px = to_pixels(UNIT_SQUARE, chart, "chart")
    places, light = np.array([sample.at for sample in known]), np.array([sample.light for sample in known])
    expected = fit_flat_field(places, light, places.mean(axis=0))
    level = (light / expected.at(places)).mean(axis=0)
    samples = []
    for cell in _ring():
        try:
            sample = patch_light(picture, seen_at(to_px, cell.corners), nominal, "a sample beside the chart")
        except PhotographError:  # out of the picture, or too few pixels: there are others
            continue
        off = np.abs(sample.light / (level * expected.at(sample.at[None])[0]) - 1.0).max()
        if off < _ALIKE and sample.unevenness < _ALIKE:
            samples.append(sample)
    return samples


def _ring() -> list[Rectangle]:
    """Cells round the chart, in units of its own sides: sixths of the width, quarters of the height."""
    near, far = _NEAR
    flat = ROWS / COLUMNS  # so that the ring is as wide at the sides as above and below
    across = [Rectangle(x=i / 6, y=y, width=1 / 6, height=far - near) for i in range(6) for y in (-far, 1.0 + near)]
    down = [
        Rectangle(x=x, y=i / 4, width=flat * (far - near), height=1 / 4)
        for i in range(4)
        for x in (-flat * far, 1.0 + flat * near)
    ]
    return across + down


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
