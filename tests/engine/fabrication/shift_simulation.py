"""Layers shifted one by one, with SciPy: an independent look at what a board shows where mask and legend land off."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes
from worker.fab_profile import FabProfile

Picture = npt.NDArray[np.int64]


def shifts(radius_px: float) -> Iterator[tuple[int, int]]:
    """The whole radius in sixteen directions, and half of it in eight."""
    for n, length in ((16, radius_px), (8, radius_px / 2)):
        for k in range(n):
            turn = math.tau * k / n
            yield math.trunc(length * math.sin(turn)), math.trunc(length * math.cos(turn))


def _moved(plane: npt.NDArray[np.bool_], by: tuple[int, int]) -> npt.NDArray[np.bool_]:
    return np.asarray(ndimage.shift(plane.astype(np.uint8), by, order=0, mode="nearest").astype(bool))


def seen(planes: LayerPlanes, mask: tuple[int, int] = (0, 0), legend: tuple[int, int] = (0, 0)) -> Picture:
    """Layers that are seen at each pixel, as 4 legend + 2 opening + copper; -1 off the board."""
    copper = planes.plane(COPPER)
    opening = _moved(planes.plane(OPENING), mask)
    printed = _moved(planes.plane(LEGEND), legend)
    return np.where(planes.plane(BOARD), 4 * printed + 2 * opening + copper, -1)


def finishes(stacks: Picture, fab: FabProfile) -> Picture:
    """Finish of each pixel; 50 + stack where the profile has none."""
    out = stacks + 50
    for i in reversed(range(len(fab.finishes))):
        recipe = fab.finishes[i].recipe
        for stack in range(8):
            copper = recipe.copper == "either" or (recipe.copper == "solid") == bool(stack & 1)
            if copper and recipe.mask_opening == bool(stack & 2) and recipe.legend == bool(stack & 4):
                out[stacks == stack] = i
    return out


def _disc(radius: int) -> npt.NDArray[np.bool_]:
    y, x = np.ogrid[-radius : radius + 1, -radius : radius + 1]
    return np.asarray(y * y + x * x <= radius * radius)


def exposed_px(planes: LayerPlanes, fab: FabProfile) -> float:
    """Mean over the mask's shifts of the pixels that show a finish of which there is none within the tolerance."""
    reach = round(fab.limits["solder_mask", "registration_mm"].value_mm * 1000 / planes.pitch_um)
    nominal = finishes(seen(planes), fab)
    near = {
        int(value): ndimage.distance_transform_edt(nominal != value) <= reach + 1e-9 for value in np.unique(nominal)
    }
    counts = []
    for by in shifts(reach):
        shown = finishes(seen(planes, mask=by), fab)
        foreign = [
            (shown == value) & ~near.get(int(value), np.zeros(shown.shape, bool))
            for value in np.unique(shown)
            if value >= 0
        ]
        counts.append(sum(int(plane.sum()) for plane in foreign))
    return float(np.mean(counts))


def ink_on_opening_px(planes: LayerPlanes, fab: FabProfile) -> int:
    """Pixels of legend that land in an opening under any shift of both within their tolerances."""
    mask, legend = (
        round(fab.limits[layer, "registration_mm"].value_mm * 1000 / planes.pitch_um)
        for layer in ("solder_mask", "legend")
    )
    opening = ndimage.binary_dilation(planes.plane(OPENING), _disc(mask))
    printed = ndimage.binary_dilation(planes.plane(LEGEND), _disc(legend))
    return int((opening & printed).sum())
