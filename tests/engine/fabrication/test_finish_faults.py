"""Faults of a partition: corners by a second check (`layer_check.py`), distances by SciPy's exact transform."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from tests.boards import board
from tests.engine.fabrication.fabs import lab
from tests.engine.fabrication.layer_check import touches
from worker.engine.fabrication.bit_distances import nearer
from worker.engine.fabrication.bit_morphology import BLOCK, frame_for, unpack
from worker.engine.fabrication.board_windows import mask_of
from worker.engine.fabrication.layer_bits import pack_bit
from worker.engine.fabrication.partition import Partition

CLEARANCE_PX = 15


def _partition(seed: int) -> Partition:
    fab, rng = board("nocturne-gold"), np.random.default_rng(seed)
    labels = np.kron(rng.integers(0, len(fab.finishes), (40, 44)), np.ones((7, 9))).astype(np.uint8)
    return Partition(labels, fab, lab(fab), pitch_um=10.0, threads=2)


def test_touches_and_clearance_are_those_of_general_libraries() -> None:
    parts = _partition(1)
    legend, opening, copper = (
        unpack(parts.union(one), parts.frame) for one in (parts.legend, parts.open, parts.copper)
    )
    near = distance_transform_edt(~opening) <= CLEARANCE_PX
    assert (unpack(parts.too_near(), parts.frame) == (legend & near)).all()
    marked = unpack(parts.touches(), parts.frame)
    wanted, on_board = np.zeros_like(marked), np.ones_like(marked)
    known = ~unpack(parts.union(parts.free), parts.frame)
    for layer, counts in ((legend, on_board), (opening, on_board), (copper, known)):
        whole = counts[:-1, :-1] & counts[:-1, 1:] & counts[1:, :-1] & counts[1:, 1:]
        a, b, c, d = layer[:-1, :-1], layer[:-1, 1:], layer[1:, :-1], layer[1:, 1:]
        here = (a == d) & (b == c) & (a != b) & whole
        assert here.sum() == touches(layer, counts) > 0
        for y in (0, 1):
            for x in (0, 1):
                wanted[y : y + here.shape[0], x : x + here.shape[1]] |= here
    assert (marked == wanted).all()


@pytest.mark.parametrize("seed", [2, 3])
def test_faults_in_a_region_are_those_of_the_board_there(seed: int) -> None:
    parts = _partition(seed)
    strips = -(-parts.shape[0] // BLOCK)
    region = (np.random.default_rng(seed).random((strips, parts.shape[1])) < 0.4).astype(np.uint8)
    whole = parts.faults()
    assert whole.any()
    assert (parts.faults(region) == (whole & mask_of(region, parts.shape[0]))).all()


@pytest.mark.parametrize("reach", [1, 9, 70])
def test_what_is_nearer_is_so_by_exact_distances(reach: int) -> None:
    rng = np.random.default_rng(reach)
    asked, one, other = (rng.random((210, 333)) < share for share in (0.7, 0.003, 0.004))
    frame = frame_for(*asked.shape, largest_px=3)
    planes = [pack_bit(bits.astype(np.uint8), 1, frame) for bits in (asked, one, other)]
    first, second = (np.minimum(distance_transform_edt(~bits) ** 2, reach**2 + 1).round() for bits in (one, other))
    found = unpack(nearer(*planes, reach, threads=2), frame)
    assert (found == (asked & (first < second))).all()
    assert found.any()
