"""Thin parts of a partition: what goes, what stays and what grows, measured by OpenCV and scipy.

A fab's check of a line is an opening by a disc of the limit's diameter (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import distance_transform_edt, label

from tests.boards import board
from tests.engine.fabrication.fabs import lab
from tests.engine.fabrication.layer_check import thin
from tests.engine.fabrication.rasters import labels_of
from worker.engine.fabrication.bit_morphology import region_of
from worker.engine.fabrication.partition import Partition
from worker.engine.fabrication.widening import give_up, widen

LIMIT_PX = 15  # 0.15 mm at 10 um
FAB = board("nocturne-gold")
IDS = {finish.id: i for i, finish in enumerate(FAB.finishes)}


def _partition(labels: npt.NDArray[np.uint8], pitch_um: float = 10.0) -> Partition:
    return Partition(labels, FAB, lab(FAB), pitch_um=pitch_um, threads=1)


def _widened(labels: npt.NDArray[np.uint8], pitch_um: float = 10.0) -> npt.NDArray[np.uint8]:
    parts = _partition(labels, pitch_um)
    region = region_of(parts.faults(), 1)
    give_up(parts, region)
    widen(parts, region, more_px=(0, 2))
    return labels_of(parts)


@pytest.mark.parametrize("angle", [0.0, 30.0, 45.0, 90.0])
def test_a_line_grows_to_the_limit_and_stays_where_it_is(angle: float) -> None:
    y, x = np.mgrid[:260, :260] - 130.0
    turn = np.deg2rad(angle)
    across, along = np.abs(y * np.cos(turn) - x * np.sin(turn)), np.abs(x * np.cos(turn) + y * np.sin(turn))
    drawn = (across <= 5.0) & (along <= 90.0)
    after = _widened(np.where(drawn, IDS["gold"], IDS["mask"]).astype(np.uint8)) == IDS["gold"]
    assert not thin(after, after, LIMIT_PX).any()
    inner = after & (along < 60.0)
    assert LIMIT_PX - 0.5 <= inner.sum() / 119.0 <= LIMIT_PX + 2  # area over length: the mean width
    assert np.abs(np.average((y * np.cos(turn) - x * np.sin(turn))[inner])) < 1.0


@pytest.mark.parametrize("pitch_um", [10.0, 15.0, 20.0, 30.0, 37.5])
def test_lines_of_every_width_grow_to_the_limit(pitch_um: float) -> None:
    """From half of it to one pixel less; the limit is odd in pixels here, and even there."""
    limit_px = round(150.0 / pitch_um)
    for width in range(limit_px // 2 + 1, limit_px):
        labels = np.full((80, 160), IDS["mask"], np.uint8)
        labels[40 : 40 + width, 30:130] = IDS["gold"]
        after = _widened(labels, pitch_um) == IDS["gold"]
        assert (after[:, 35:125].sum(axis=0) >= limit_px).all(), width
        assert not thin(after, after, limit_px).any(), width


def test_what_joins_two_dots_grows_and_a_hairline_goes() -> None:
    labels = np.full((240, 420), IDS["mask"], np.uint8)
    y, x = np.mgrid[:240, :420]
    for centre in ((60, 80), (60, 300), (170, 80)):
        labels[np.hypot(y - centre[0], x - centre[1]) <= 25] = IDS["gold"]
    labels[56:65, 80:300] = IDS["gold"]
    labels[168:172, 80:300] = IDS["gold"]
    after = _widened(labels) == IDS["gold"]
    assert label(after)[1] == 2
    assert label(after[:120])[1] == 1
    assert not after[150:190, 130:].any()
    assert distance_transform_edt(after)[60, 190] * 2 >= LIMIT_PX


def test_lines_grow_into_free_room_and_not_into_each_other() -> None:
    labels = np.full((200, 300), IDS["mask"], np.uint8)
    labels[80:90, 60:240] = IDS["legend"]
    labels[110:120, 60:240] = IDS["legend"]  # a gap that just holds the limit when both have grown
    after = _widened(labels) == IDS["legend"]
    assert label(after)[1] == 2
    assert (after[:, 80:220].sum(axis=0) >= 2 * LIMIT_PX).all()
    assert not thin(~after, ~after, LIMIT_PX).any()
