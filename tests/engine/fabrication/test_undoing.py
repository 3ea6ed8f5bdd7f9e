"""What is drawn upon layers and breaks a limit, taken back around that place: hand-made layers, faults by OpenCV.

Pixels are 20 micrometres, so that in the demo profile lines, gaps, openings and webs of 0.15 mm are 8 pixels, metal
parts keep 13, and copper and openings end 15 from the board's edge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

from tests.boards import board
from tests.engine.fabrication.layer_check import broken_limits
from tests.engine.fabrication.packages import blobs
from worker.engine.fabrication.bit_morphology import unpack
from worker.engine.fabrication.layer_bits import LayerBits, layer_bits
from worker.engine.fabrication.layer_faults import LayerFaults, widest_px
from worker.engine.fabrication.planes import BOARD, COPPER, DRAWN, LEGEND, OPENING, LayerPlanes, Stack
from worker.engine.fabrication.undoing import undo_faults

FAB = board("nocturne-gold")
PITCH_UM = 20.0
LIMIT_PX, METAL_PX, EDGE_PX = 8, 13, 15
METAL = COPPER | OPENING
Mask = npt.NDArray[np.bool_]


def bits_of(stack: Stack) -> LayerBits:
    planes = LayerPlanes(stack=stack.copy(), pitch_um=PITCH_UM)
    return layer_bits(planes, largest_px=widest_px(FAB, PITCH_UM))


@dataclass(frozen=True, kw_only=True)
class Undone:
    """The layers that came of it, and which pixels are as they were before, of those that had been drawn."""

    stack: Stack
    back: Mask
    kept: Mask


def undone(before: Stack, after: Stack, *, excuse: bool = False, threads: int = 1) -> Undone:
    """Undo; every pixel is wholly as before or wholly as after, and those that were undone are counted."""
    bits, old = bits_of(after), bits_of(before)
    count = undo_faults(bits, old, FAB, PITCH_UM, excuse_before=excuse, threads=threads)
    stack = (before & np.uint8(255 - DRAWN)).astype(np.uint8)
    for bit, plane in ((COPPER, bits.copper), (OPENING, bits.opening), (LEGEND, bits.legend)):
        stack |= np.where(unpack(plane, bits.frame), np.uint8(bit), np.uint8(0))
    drawn = before != after
    back, kept = drawn & (stack == before), drawn & (stack == after)
    assert (stack[~drawn] == before[~drawn]).all() and (back | kept)[drawn].all()
    assert count == back.sum()
    for plane, unchanged in ((old.copper, COPPER), (old.opening, OPENING), (old.legend, LEGEND)):
        np.testing.assert_array_equal(unpack(plane, old.frame), (before & np.uint8(unchanged)) != 0)
    return Undone(stack=stack, back=back, kept=kept)


def broken(stack: Stack) -> dict[str, int]:
    planes = [(stack & np.uint8(bit)) != 0 for bit in (COPPER, OPENING, LEGEND, BOARD)]
    return broken_limits(planes[0], planes[1], planes[2], planes[3], FAB, PITCH_UM)


def mask_alone(height: int = 300, width: int = 400) -> Stack:
    return np.full((height, width), BOARD, dtype=np.uint8)


def with_box(stack: Stack, rows: tuple[int, int], columns: tuple[int, int], bits: int) -> Stack:
    out = stack.copy()
    out[rows[0] : rows[1], columns[0] : columns[1]] |= np.uint8(bits)
    return out


def reach(where: Mask, of: Mask) -> float:
    """How far, in pixels, the farthest of some lies from the nearest of others."""
    return float(ndimage.distance_transform_edt(~of)[where].max()) if where.any() else 0.0


GOOD_ROWS, GOOD_COLUMNS = (220, 260), (60, 340)
"""A bar of metal, far from all that is wrong."""


def good(stack: Stack) -> Stack:
    return with_box(stack, GOOD_ROWS, GOOD_COLUMNS, METAL)


FAULTS: dict[str, tuple[Callable[[Stack], Stack], str]] = {
    "line": (lambda s: with_box(s, (60, 63), (60, 120), COPPER), "copper line"),
    "opening": (lambda s: with_box(s, (60, 63), (60, 120), OPENING), "mask opening"),
    "legend": (lambda s: with_box(s, (60, 63), (60, 120), LEGEND), "legend line"),
    "gap": (
        lambda s: with_box(with_box(s, (40, 80), (60, 100), COPPER), (40, 80), (104, 140), COPPER),
        "copper gap",
    ),
    "web": (
        lambda s: with_box(with_box(s, (40, 80), (60, 100), OPENING), (40, 80), (104, 140), OPENING),
        "mask web",
    ),
    "metal gap": (
        lambda s: (
            with_box(with_box(s, (40, 80), (60, 160), OPENING), (40, 80), (60, 105), METAL)
            | with_box(mask_alone(), (40, 80), (115, 160), METAL)
        ),
        "metal gap",
    ),
    "clearance": (
        lambda s: with_box(with_box(s, (40, 80), (60, 100), LEGEND), (40, 80), (104, 140), METAL),
        "legend near opening",
    ),
    "touch": (
        lambda s: with_box(with_box(s, (40, 80), (60, 100), COPPER), (80, 120), (100, 140), COPPER),
        "copper touches itself at corners",
    ),
    "edge": (lambda s: with_box(s, (60, 100), (0, 120), COPPER), "copper near edge"),
}


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("name", FAULTS)
def test_a_new_fault_of_any_kind_is_undone_and_what_is_far_from_it_stays(name: str, threads: int) -> None:
    draw, kind = FAULTS[name]
    before = mask_alone()
    after = draw(good(before))
    assert kind in broken(after)
    found = undone(before, after, threads=threads)
    assert broken(found.stack) == {}
    assert found.back.any() and not found.back[180:].any()
    bar = np.s_[GOOD_ROWS[0] : GOOD_ROWS[1], GOOD_COLUMNS[0] : GOOD_COLUMNS[1]]
    assert found.kept[bar].all()


def test_nothing_is_undone_where_nothing_is_wrong() -> None:
    before = with_box(mask_alone(), (60, 100), (60, 120), LEGEND)
    after = good(before)
    found = undone(before, after)
    assert not found.back.any()
    np.testing.assert_array_equal(found.stack, after)


def test_what_is_too_thin_by_itself_goes_alone() -> None:
    """A spike of a plate, and a line beside it: no pixel of the plate goes with them."""
    before = mask_alone()
    plate = with_box(before, (100, 200), (100, 300), COPPER)
    after = with_box(with_box(plate, (40, 100), (200, 203), COPPER), (60, 63), (240, 300), COPPER)
    found = undone(before, after)
    assert broken(found.stack) == {}
    left = found.stack != plate
    # Of the spike's foot no more stays than lies within the corners' tolerance.
    assert left.sum() <= 6 and not left[:98].any() and not left[100:].any()


def test_what_is_too_near_to_what_was_there_goes_back_and_that_stays() -> None:
    """A plate grown towards another one that was there: only its edge beside that is taken back."""
    before = with_box(mask_alone(), (100, 200), (200, 350), COPPER)
    after = with_box(before, (100, 200), (60, 196), COPPER)
    assert broken(before) == {} and set(broken(after)) == {"copper gap"}
    found = undone(before, after)
    assert broken(found.stack) == {}
    assert (found.stack[:, 200:] == before[:, 200:]).all()
    # Four pixels to the gap's limit at least; a cut that ends it squarely is 0.24 mm.
    assert found.back[120:180, 192:196].all() and not found.back[:, :170].any()


def test_two_that_are_near_at_one_place_stay_elsewhere() -> None:
    """Long bars that come near each other by a nose on one of them."""
    before = mask_alone()
    bars = with_box(with_box(before, (80, 110), (40, 360), COPPER), (160, 190), (40, 360), COPPER)
    after = with_box(bars, (110, 157), (195, 210), COPPER)
    assert set(broken(after)) == {"copper gap"}
    found = undone(before, after)
    assert broken(found.stack) == {}
    place = np.zeros_like(found.back)
    place[157:160, 195:210] = True
    assert 0 < found.back.sum() < 1000
    assert reach(found.back, place) < 0.6 * 1000 / PITCH_UM
    assert found.kept[:, :150].sum() == (bars != before)[:, :150].sum()


def test_along_a_straight_border_the_undoing_ends() -> None:
    """A rim of legend's width past the border of a plate that was there, broken at one place by an opening near it."""
    before = with_box(with_box(mask_alone(), (100, 200), (30, 370), COPPER), (40, 86), (190, 210), METAL)
    after = with_box(before, (92, 100), (30, 370), COPPER)
    assert broken(before) == {} and set(broken(after)) == {"copper gap"}
    found = undone(before, after)
    assert broken(found.stack) == {}
    assert found.back[92:94, 195:205].all()
    assert found.back.sum() < 0.5 * (before != after).sum()
    assert found.kept[92:100, 30:100].all() and found.kept[92:100, 300:370].all()


def test_copper_too_near_to_the_edge_ends_at_its_distance() -> None:
    before = mask_alone()
    after = with_box(before, (100, 200), (0, 200), COPPER)
    found = undone(before, after)
    np.testing.assert_array_equal(np.flatnonzero(found.back.any(axis=0)), np.arange(EDGE_PX))
    np.testing.assert_array_equal(found.stack, with_box(before, (100, 200), (EDGE_PX, 200), COPPER))


def test_what_was_taken_away_comes_back_where_that_breaks_a_limit() -> None:
    """Drawn is also what is not there any more: copper cut by a slit that no fab makes, and by a wide one."""
    before = with_box(mask_alone(), (60, 120), (40, 360), COPPER)
    after = before.copy()
    after[60:120, 100:103] = BOARD
    after[60:120, 250:290] = BOARD
    found = undone(before, after)
    assert broken(found.stack) == {}
    assert found.back[62:118, 100:103].all() and found.kept[60:120, 250:290].all()


OLD_FAULT = ((60, 63), (60, 120))
"""A line that is too thin, three pixels of eight, and was so before."""


def test_a_fault_that_was_there_before_stays_and_costs_nothing_far_from_it() -> None:
    before = with_box(mask_alone(), *OLD_FAULT, COPPER)
    after = good(before)
    found = undone(before, after)
    np.testing.assert_array_equal(found.stack, after)
    assert broken(found.stack) == broken(before) != {}


def beside_old_fault() -> tuple[Stack, Stack]:
    """A bar of legend 0.3 mm from a line that was too thin before, and the good bar far from it."""
    before = with_box(mask_alone(), *OLD_FAULT, COPPER)
    return before, good(with_box(before, (78, 108), (60, 340), LEGEND))


def test_a_fault_that_was_there_before_costs_what_is_drawn_beside_it_though_that_does_not_help() -> None:
    """Without an excuse the undoing can't tell: it stops when nothing drawn is near any more."""
    before, after = beside_old_fault()
    found = undone(before, after)
    assert broken(found.stack) == broken(before)
    old = np.zeros(before.shape, dtype=np.bool_)
    old[OLD_FAULT[0][0] : OLD_FAULT[0][1], OLD_FAULT[1][0] : OLD_FAULT[1][1]] = True
    away = ndimage.distance_transform_edt(~old) * PITCH_UM / 1000.0
    assert found.back.any() and away[found.kept].min() >= 0.5
    assert found.kept[78:108, 200:340].all() and not found.back[180:].any()


def test_an_excused_fault_costs_nothing_beside_it() -> None:
    before, after = beside_old_fault()
    found = undone(before, after, excuse=True)
    assert not found.back.any()
    assert broken(found.stack) == broken(before)


def test_beside_an_excused_fault_a_new_one_is_undone() -> None:
    before, after = beside_old_fault()
    after = with_box(after, (140, 143), (60, 340), LEGEND)
    found = undone(before, after, excuse=True)
    np.testing.assert_array_equal(found.back, with_box(mask_alone(), (140, 143), (60, 340), LEGEND) != BOARD)
    assert broken(found.stack) == broken(before)


def test_a_drawing_that_mends_a_fault_is_kept() -> None:
    """Widened to the limit, the old line is none any more: nothing of that may be undone, excused or not."""
    before = with_box(mask_alone(), *OLD_FAULT, COPPER)
    after = with_box(before, (58, 66), (60, 120), COPPER)
    assert broken(after) == {}
    for excuse in (False, True):
        np.testing.assert_array_equal(undone(before, after, excuse=excuse).stack, after)


def test_what_hangs_together_goes_as_a_whole_where_nothing_less_helps() -> None:
    """A comb of copper none of which can be made: it goes; the bar beside it stays."""
    before = mask_alone()
    after = good(before)
    for x in range(60, 180, 6):
        after = with_box(after, (40, 120), (x, x + 3), COPPER)
    after = with_box(after, (40, 43), (60, 180), COPPER)
    found = undone(before, after)
    np.testing.assert_array_equal(found.stack, good(before))


def filled_comb() -> tuple[Stack, Stack]:
    """Bars with gaps of half the limit, and a long plate that fills them, but for most of one gap."""
    before = mask_alone(160, 1400)
    for x in range(60, 1340, 12):
        before[40:120, x : x + LIMIT_PX] |= COPPER
    after = with_box(before, (40, 120), (60, 1336), COPPER)
    after[40:120, 308:311] = BOARD
    assert set(broken(after)) == set(broken(before)) == {"copper gap"}
    return before, after


def test_a_drawing_upon_faults_everywhere_goes_as_a_whole_and_leaves_no_more_than_there_were() -> None:
    """What is undone round that gap bares old gaps, and so on along the plate, until none of it is left.

    What is drawn apart from it, above, stays.
    """
    before, after = (np.concatenate([mask_alone(160, 1400), stack]) for stack in filled_comb())
    apart = ((40, 80), (40, 1300), COPPER)
    for threads in (1, 2):
        found = undone(before, with_box(after, *apart), threads=threads)
        np.testing.assert_array_equal(found.stack, with_box(before, *apart))


def test_where_all_of_that_is_excused_the_drawing_stays() -> None:
    before, after = filled_comb()
    found = undone(before, after, excuse=True)
    np.testing.assert_array_equal(found.stack, after)
    assert sum(broken(found.stack).values()) < sum(broken(before).values()) / 100


def random_layers(seed: int, size: int = 200) -> Stack:
    return np.ascontiguousarray(blobs(seed, size, fineness=3.0 + seed % 5))


def wrong_px(stack: Stack) -> Mask:
    bits = bits_of(stack)
    return unpack(LayerFaults(bits, FAB, PITCH_UM)(bits), bits.frame)


SEEDS = st.integers(min_value=0, max_value=10_000)


@given(seed=SEEDS)
def test_upon_layers_that_break_no_limit_any_drawing_ends_without_a_fault(seed: int) -> None:
    before = mask_alone(200, 200)
    before = with_box(with_box(before, (40, 80), (40, 160), METAL), (110, 160), (60, 120), LEGEND)
    assert broken(before) == {}
    after = random_layers(seed)
    found = undone(before, after)
    assert broken(after) != {}
    assert broken(found.stack) == {}


@given(seed=SEEDS)
def test_upon_layers_that_break_limits_no_fault_is_added(seed: int) -> None:
    before, after = random_layers(seed), random_layers(seed + 1)
    found = undone(before, after)
    assert not (wrong_px(found.stack) & ~wrong_px(before)).any()
    assert sum(broken(found.stack).values()) <= sum(broken(before).values())


@given(seed=SEEDS)
def test_any_number_of_threads_undoes_the_same(seed: int) -> None:
    before, after = random_layers(seed), random_layers(seed + 1)
    for excuse in (False, True):
        one, two = (undone(before, after, excuse=excuse, threads=threads) for threads in (1, 2))
        np.testing.assert_array_equal(one.stack, two.stack)


def places(large: bool) -> tuple[Stack, Stack]:
    """A plate that comes too near to another one, with a tail; on a large board twice, with much else drawn."""
    side, at = (2560, ((128, 128), (1984, 1984))) if large else (384, ((128, 128),))
    before = np.full((side, side), BOARD, dtype=np.uint8)
    after = before.copy()
    for y, x in at:
        for stack in (before, after):
            stack[y : y + 60, x + 70 : x + 130] |= COPPER
        after[y : y + 60, x : x + 66] |= COPPER
        after[y + 60 : y + 100, x + 20 : x + 23] |= COPPER
    if large:
        after[700:1700, 600:1800] |= METAL
    return before, after


def test_a_few_places_of_a_large_board_are_undone_as_one_place_alone() -> None:
    """They are worked on in windows there, many at a time; on a small board all at once."""
    alone = undone(*places(large=False))
    assert broken(alone.stack) == {} and 0 < alone.back.sum() < 3000
    for threads in (1, 2):
        together = undone(*places(large=True), threads=threads)
        for first in (0, 1856):
            place = np.s_[first + 64 : first + 320]
            np.testing.assert_array_equal(together.stack[place, place], alone.stack[64:320, 64:320])
        assert together.back.sum() == 2 * alone.back.sum()
