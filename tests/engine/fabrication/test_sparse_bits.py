"""Planes combined in a region, against numpy's own operators on pixels (numpy, a general library)."""

from __future__ import annotations

import numpy as np
import pytest

from worker.engine.fabrication.bit_morphology import Bits, Region
from worker.engine.fabrication.sparse_bits import add, blocks_changed, common, copy_where, remove, without

ROWS, WORDS = 200, 5  # the last strip is not whole


def plane(seed: int) -> Bits:
    return np.random.default_rng(seed).integers(0, 2**64, (ROWS, WORDS), dtype=np.uint64)


@pytest.fixture
def region() -> Region:
    flags = np.random.default_rng(9).integers(0, 2, (4, WORDS)).astype(np.uint8)
    flags[1] = 0
    return flags


def inside(region: Region) -> Bits:
    """All bits set in the region's blocks."""
    pixels = np.repeat(region.astype(np.uint64), 64, axis=0)[:ROWS]
    return np.asarray(pixels * np.uint64(0xFFFFFFFFFFFFFFFF))


def test_results_are_empty_outside_the_region(region: Region) -> None:
    one, other = plane(1), plane(2)
    assert (common(one, other, region) == one & other & inside(region)).all()
    assert (without(one, other, region) == one & ~other & inside(region)).all()


def test_what_is_changed_in_place_stays_outside_the_region(region: Region) -> None:
    one, other, third, where = plane(1), plane(2), plane(3), inside(region)
    added, removed, copied = one.copy(), one.copy(), one.copy()
    add(added, other, region)
    remove(removed, other, region)
    copy_where(copied, other, third, region)
    assert (added == one | (other & where)).all()
    assert (removed == one & ~(other & where)).all()
    assert (copied == np.bitwise_or(one & ~(third & where), other & third & where)).all()


def test_changed_blocks_hold_every_change() -> None:
    one = plane(1)
    other = one.copy()
    other[70, 3] ^= np.uint64(1 << 40)
    other[199, 0] ^= np.uint64(1)
    assert {tuple(place) for place in np.argwhere(blocks_changed(one, other)).tolist()} == {(1, 3), (3, 0)}
