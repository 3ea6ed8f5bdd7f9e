"""Bridges of copper that break a limit, one by one; limits by OpenCV (`layer_check.py`)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy import ndimage

from tests.boards import board
from tests.engine.fabrication.layer_check import broken_limits
from worker.engine.fabrication.bit_morphology import Bits, pack, unpack
from worker.engine.fabrication.copper_bridges import keep_makeable_bridges
from worker.engine.fabrication.copper_ties import join_copper, tie_copper
from worker.engine.fabrication.layer_bits import LayerBits, layer_bits
from worker.engine.fabrication.layer_faults import widest_px
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes
from worker.engine.palette.finish_colours import finish_colours

FAB = board("nocturne-gold")
PITCH_UM = 20.0
LINE_PX = 8
"""0.15 mm, line and gap alike."""
Picture = npt.NDArray[np.bool_]
KNOWN = np.array([0] + [1] * 255, dtype=np.uint8)


def broken(copper: Picture, opening: Picture | None = None) -> dict[str, int]:
    none = np.zeros_like(copper)
    return broken_limits(copper, none if opening is None else opening, none, ~none, FAB, PITCH_UM)


def two_bars() -> Picture:
    copper = np.zeros((240, 300), dtype=np.bool_)
    copper[40:80, 30:270] = copper[160:200, 30:270] = True
    return copper


def kept(before: Picture, bridges: Picture, barred: Picture | None = None, threads: int = 1) -> tuple[Picture, int]:
    """The copper that is left of all, and how many pieces were left out."""
    bits, packed, closed = packed_with(before, bridges, barred)
    left_out = keep_makeable_bridges(bits, packed, closed, FAB, PITCH_UM, threads=threads)
    return unpack(bits.copper, bits.frame), left_out


def packed_with(before: Picture, bridges: Picture, barred: Picture | None) -> tuple[LayerBits, Bits, Bits]:
    stack = np.where(before | bridges, BOARD | COPPER, BOARD).astype(np.uint8)
    bits = layer_bits(LayerPlanes(stack=stack, pitch_um=PITCH_UM), largest_px=widest_px(FAB, PITCH_UM))
    closed = np.zeros_like(before) if barred is None else barred
    packed, shut = (pack(plane.astype(np.uint8), KNOWN, bits.frame, outside=False) for plane in (before, closed))
    return bits, packed, shut


def straight(left: int, width: int) -> Picture:
    bridge = np.zeros((240, 300), dtype=np.bool_)
    bridge[80:160, left : left + width] = True
    return bridge


def slanted(left: int) -> Picture:
    """At 45 degrees, twice a line wide."""
    bridge = np.zeros((240, 300), dtype=np.bool_)
    for y in range(80, 160):
        bridge[y, left + y - 80 : left + y - 80 + 3 * LINE_PX] = True
    return bridge


def test_only_the_bridge_that_breaks_a_limit_is_left_out() -> None:
    before = two_bars()
    good, thin = straight(60, LINE_PX), straight(180, LINE_PX // 2)
    assert broken(before | good) == {} and set(broken(before | thin)) == {"copper line"}
    copper, left_out = kept(before, good | thin)
    assert left_out == 1
    np.testing.assert_array_equal(copper, before | good)


def test_a_gap_that_tapers_is_filled_and_the_bridge_stays() -> None:
    before, bridge = two_bars(), slanted(80)
    assert "copper gap" in broken(before | bridge)
    copper, left_out = kept(before, bridge)
    assert left_out == 0 and copper[before | bridge].all() and broken(copper) == {}
    filled = copper & ~before & ~bridge
    near = ndimage.distance_transform_edt(~(before & ~ndimage.binary_erosion(before)))
    assert 0 < filled.sum() < 400 and near[filled].max() <= 2 * LINE_PX


def test_where_a_gap_may_not_be_filled_the_bridge_goes_as_a_whole() -> None:
    before, bridge = two_bars(), slanted(80)
    barred = np.ones_like(before)
    copper, left_out = kept(before, bridge | straight(240, LINE_PX), barred)
    assert left_out == 1
    np.testing.assert_array_equal(copper, before | straight(240, LINE_PX))


def test_two_bridges_too_close_to_each_other_become_one() -> None:
    before = two_bars()
    pair = straight(60, LINE_PX) | straight(60 + LINE_PX + 3, LINE_PX)
    assert "copper gap" in broken(before | pair)
    copper, left_out = kept(before, pair)
    assert left_out == 0 and broken(copper) == {} and copper[90:150, 60 : 63 + 2 * LINE_PX].all()


def test_what_was_wrong_before_costs_no_bridge() -> None:
    before, good = two_bars(), straight(60, LINE_PX)
    before[120:122, 90:120] = True  # 0.44 mm from the bridge
    assert set(broken(before)) == {"copper line"}
    copper, left_out = kept(before, good)
    assert left_out == 0
    np.testing.assert_array_equal(copper, before | good)


@pytest.mark.parametrize("threads", [1, 2])
def test_nothing_added_is_nothing_left_out(threads: int) -> None:
    before = two_bars()
    copper, left_out = kept(before, np.zeros_like(before), threads=threads)
    assert left_out == 0
    np.testing.assert_array_equal(copper, before)


def rounded_parts(seed: int) -> LayerPlanes:
    """Ellipses of copper and of metal, no limit broken."""
    rng = np.random.default_rng(seed)
    stack = np.full((500, 700), BOARD, dtype=np.uint8)
    rows, columns = np.ogrid[:500, :700]
    for _ in range(60):
        y, x = int(rng.integers(80, 420)), int(rng.integers(80, 620))
        tall, wide = (int(v) for v in rng.integers(16, 50, 2))
        inside = ((rows - y) / tall) ** 2 + ((columns - x) / wide) ** 2 <= 1.0
        around = ((rows - y) / (tall + 22)) ** 2 + ((columns - x) / (wide + 22)) ** 2 <= 1.0
        if not (stack[around] & COPPER).any():
            stack[inside] |= COPPER | (OPENING if rng.integers(2) else 0)
    return LayerPlanes(stack=stack, pitch_um=PITCH_UM)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ties_between_round_parts_are_makeable_and_no_fewer_for_one_that_is_not(seed: int) -> None:
    """Before, one gap that tapered took all ties of a board away."""
    planes = rounded_parts(seed)
    opening = planes.plane(OPENING)
    assert broken(planes.plane(COPPER), opening) == {}
    art = np.zeros((*planes.stack.shape, 3), dtype=np.uint8)
    tied = tie_copper(planes, FAB, finish_colours(FAB).lab, art, threads=2)
    copper = tied.planes.plane(COPPER)
    assert broken(copper, opening) == {}
    assert tied.before == ndimage.label(planes.plane(COPPER))[1] > 8
    assert tied.after == ndimage.label(copper)[1] <= 1 + tied.left_out <= 3
    assert not ((tied.planes.stack ^ planes.stack) & np.uint8(255 - COPPER)).any()
    one = tie_copper(planes, FAB, finish_colours(FAB).lab, art, threads=1)
    np.testing.assert_array_equal(one.planes.stack, tied.planes.stack)
    assert (one.after, one.left_out) == (tied.after, tied.left_out)


def test_joints_between_round_parts_are_makeable() -> None:
    stack = np.full((300, 400), BOARD, dtype=np.uint8)
    rows, columns = np.ogrid[:300, :400]
    for y, x in ((100, 100), (100, 190), (178, 145)):
        stack[(rows - y) ** 2 + (columns - x) ** 2 <= 40**2] |= COPPER
    stack[90:110, 250:330] |= COPPER | LEGEND
    planes = LayerPlanes(stack=stack, pitch_um=PITCH_UM)
    joined = join_copper(planes, FAB)
    assert joined.before == 4 and joined.after == ndimage.label(joined.planes.plane(COPPER))[1] == 2
    assert broken(joined.planes.plane(COPPER)) == {} and joined.left_out == 0
