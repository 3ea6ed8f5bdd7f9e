"""The last faults: fewer by a second check (`layer_check.py`), near to where they were, and the cheapest way.

What a change costs is counted here by scikit-image's CIEDE2000 over the changed pixels.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import distance_transform_edt
from skimage.color import deltaE_ciede2000

from tests.boards import board
from tests.engine.fabrication.fabs import lab
from tests.engine.fabrication.layer_check import broken_limits
from tests.engine.fabrication.rasters import labels_of
from worker.engine.fabrication.bit_morphology import unpack
from worker.engine.fabrication.partition import Partition
from worker.engine.fabrication.settling import settle

FAB = board("nocturne-gold")
IDS = {finish.id: i for i, finish in enumerate(FAB.finishes)}


def _settled(labels: npt.NDArray[np.uint8], *, thorough: bool = False) -> npt.NDArray[np.uint8]:
    parts = Partition(labels, FAB, lab(FAB), pitch_um=10.0, threads=1)
    settle(parts, parts.planes.copy(), parts.faults(), thorough=thorough)
    return labels_of(parts)


def _broken(labels: npt.NDArray[np.uint8]) -> dict[str, int]:
    recipes = [finish.recipe for finish in FAB.finishes]
    copper, opening, legend = (
        np.array([bool(chosen(one)) for one in recipes])[labels]
        for chosen in (
            lambda one: one.copper in ("solid", "hatch"),
            lambda one: one.mask_opening,
            lambda one: one.legend,
        )
    )
    return broken_limits(copper, opening, legend, np.ones(labels.shape, np.bool_), FAB, 10.0)


def _cost(before: npt.NDArray[np.uint8], after: npt.NDArray[np.uint8]) -> float:
    colours = lab(FAB)
    return float(deltaE_ciede2000(colours[before], colours[after]).sum())


@pytest.mark.parametrize("gap_px", [3, 5])
def test_a_narrow_gap_is_filled_where_that_costs_less_than_widening_it(gap_px: int) -> None:
    labels = np.full((260, 300), IDS["mask"], np.uint8)
    middle = np.s_[130 - gap_px // 2 : 130 - gap_px // 2 + gap_px, 60:240]
    labels[70:190, 60:240] = IDS["copper"]
    labels[middle] = IDS["mask"]
    filled, cut = labels.copy(), labels.copy()
    filled[middle] = IDS["copper"]
    cut[122:137, 60:240] = IDS["mask"]
    assert not _broken(filled)
    assert not _broken(cut)
    after = _settled(labels)
    assert not _broken(after)
    # Round ends take a few pixels more than the two drawn by hand.
    assert _cost(labels, after) <= 1.15 * min(_cost(labels, filled), _cost(labels, cut))


@pytest.mark.parametrize("seed", range(3))
def test_places_settle_near_to_where_they_were_and_break_less(seed: int) -> None:
    rng = np.random.default_rng(seed)
    labels = np.full((420, 420), IDS["mask"], np.uint8)
    for _ in range(12):
        y, x = rng.integers(40, 360, 2)
        height, width = rng.integers(4, 40, 2)
        labels[y : y + height, x : x + width] = rng.integers(len(FAB.finishes))
    before = _broken(labels)
    parts = Partition(labels, FAB, lab(FAB), pitch_um=10.0, threads=1)
    faults = unpack(parts.faults(), parts.frame)
    assert before
    after = _settled(labels, thorough=True)
    changed = after != labels
    assert sum(_broken(after).values()) < 0.8 * sum(before.values())
    assert changed.any()
    assert distance_transform_edt(~faults)[changed].max() <= 2 * 64 * np.sqrt(2.0)
