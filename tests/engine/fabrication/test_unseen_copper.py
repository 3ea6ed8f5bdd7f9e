"""Copper that nobody sees, chosen so that lines and gaps hold: a second check by OpenCV (`layer_check.py`).

IPC-2221 asks for 0.13 mm between coated conductors up to 100 V (table 6-1, B4; as an adapted table gives it), the demo
profiles for 0.15 mm of line and gap.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import distance_transform_edt, label

from tests.boards import board
from tests.engine.fabrication.layer_check import thin, touches
from worker.engine.arrays import OUTSIDE
from worker.engine.fabrication.bit_morphology import unpack
from worker.engine.fabrication.layer_bits import layer_bits
from worker.engine.fabrication.planes import COPPER, FREE_COPPER, LayerPlanes, planes_of
from worker.engine.fabrication.unseen_copper import makeable_copper, makeable_reach_px

LIMIT_PX = 15
FAB = board("alba-black")  # a white mask that hides whether copper lies below
IDS = {finish.id: i for i, finish in enumerate(FAB.finishes)}


def _copper(labels: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    planes = planes_of(np.where(labels == OUTSIDE, 0, labels), FAB, pitch_um=10.0)
    planes = LayerPlanes(stack=np.where(labels == OUTSIDE, np.uint8(0), planes.stack), pitch_um=10.0)
    bits = layer_bits(planes, largest_px=makeable_reach_px(FAB, 10.0))
    drawn, left = makeable_copper(bits, FAB, 10.0)
    seen = (planes.stack & FREE_COPPER) == 0
    board_px = labels != OUTSIDE
    copper = unpack(drawn, bits.frame)
    assert (copper == planes.plane(COPPER))[seen & board_px].all()  # what is seen stays
    assert not copper[~board_px].any()
    assert not left.any()
    assert not thin(copper & board_px, copper | ~board_px, LIMIT_PX).any()
    assert not thin(~copper & board_px, ~copper | ~board_px, LIMIT_PX).any()
    assert touches(copper, board_px) == 0
    return copper


@pytest.mark.parametrize("gap_px", [8, 14])
def test_a_gap_too_narrow_under_the_mask_is_filled(gap_px: int) -> None:
    labels = np.full((340, 300), IDS["mask"], np.uint8)
    labels[120 - gap_px // 2 - 40 : 120 - gap_px // 2, 60:240] = IDS["gold"]
    labels[120 - gap_px // 2 + gap_px : 160 - gap_px // 2 + gap_px, 60:240] = IDS["gold"]
    assert label(_copper(labels))[1] == 1


def test_metal_narrower_than_a_copper_line_gets_copper_beside_it() -> None:
    labels = np.full((240, 300), IDS["mask"], np.uint8)
    labels[115:123, 60:240] = IDS["gold"]
    copper = _copper(labels)
    assert (copper[:, 80:220].sum(axis=0) >= LIMIT_PX).all()


def test_a_strip_of_laminate_gets_room_without_copper_and_the_edge_stays_free() -> None:
    labels = np.full((300, 300), IDS["mask"], np.uint8)
    labels[100:140, 80:220], labels[148:190, 80:220] = IDS["gold"], IDS["gold"]
    labels[240:250, 80:220] = IDS["substrate"]
    y, x = np.mgrid[:300, :300]
    labels[np.hypot(y - 150, x - 150) > 148] = OUTSIDE
    copper = _copper(labels)
    assert distance_transform_edt(labels != OUTSIDE)[copper].min() > 30  # limits.edge.routed_mm: 0.3 mm
