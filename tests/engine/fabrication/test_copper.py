"""Copper's parts, ties, balance, hatches and edges, against scipy.ndimage and numpy."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy import ndimage

from tests.boards import board
from tests.engine.fabrication.layer_check import broken_limits
from worker.engine.fabrication.copper_balance import APART_POINTS, copper_balance
from worker.engine.fabrication.copper_edge import copper_at_edge
from worker.engine.fabrication.copper_hatch import cut_hatches, hatch_unseen
from worker.engine.fabrication.copper_parts import LISTED, copper_parts
from worker.engine.fabrication.copper_ties import join_copper, tie_copper
from worker.engine.fabrication.planes import BOARD, COPPER, FREE_COPPER, HATCHED, OPENING, LayerPlanes, seen_labels
from worker.engine.palette.finish_colours import finish_colours

Picture = npt.NDArray[np.uint8]


def bare(height: int, width: int) -> Picture:
    return np.full((height, width), BOARD, np.uint8)


def planes(stack: Picture, pitch_um: float = 20.0) -> LayerPlanes:
    return LayerPlanes(stack=stack.copy(), pitch_um=pitch_um)


def dark(stack: Picture) -> Picture:
    return np.zeros((*stack.shape, 3), np.uint8)


def test_parts_have_the_areas_and_places_that_scipy_finds() -> None:
    rng = np.random.default_rng(11)
    stack = bare(300, 500)
    stack[ndimage.gaussian_filter(rng.standard_normal(stack.shape), 3) > 0.05] |= COPPER
    labelled, count = ndimage.label(stack & COPPER)
    found = copper_parts(planes(stack), threads=2)
    areas = np.bincount(labelled.ravel())[1:] * 0.02**2
    assert found.count == count
    assert found.islands == count - 1
    assert found.area_mm2 == pytest.approx(areas.sum())
    assert found.islands_mm2 == pytest.approx(areas.sum() - areas.max())
    assert [part.area_mm2 for part in found.parts] == pytest.approx(sorted(areas, reverse=True)[:LISTED])
    rows, columns = ndimage.find_objects(labelled)[int(areas.argmax())]
    assert found.parts[0].x_mm == pytest.approx((columns.start + columns.stop) / 2 * 0.02)
    assert found.parts[0].y_mm == pytest.approx((300 - (rows.start + rows.stop) / 2) * 0.02)
    assert found.parts[0].width_mm == pytest.approx((columns.stop - columns.start) * 0.02)


def test_a_board_without_copper_has_no_parts() -> None:
    found = copper_parts(planes(bare(20, 30)))
    assert (found.count, found.islands, found.islands_mm2, found.area_mm2) == (0, 0, 0.0, 0.0)


def discs(stack: Picture, bits: int) -> None:
    rows, columns = np.ogrid[: stack.shape[0], : stack.shape[1]]
    for y in range(80, stack.shape[0] - 60, 110):
        for x in range(80, stack.shape[1] - 60, 110):
            stack[(rows - y) ** 2 + (columns - x) ** 2 < 30**2] |= bits


def test_ties_make_one_part_with_narrow_bridges_under_the_mask() -> None:
    fab = board("nocturne-gold")
    stack = bare(420, 530)
    discs(stack, COPPER | OPENING)
    tied = tie_copper(planes(stack), fab, finish_colours(fab).lab, dark(stack), threads=2)
    copper = tied.planes.plane(COPPER)
    assert tied.before == ndimage.label(stack & COPPER)[1] > 1
    assert tied.after == ndimage.label(copper)[1] == 1
    assert (tied.planes.stack & (OPENING | BOARD) == stack & (OPENING | BOARD)).all()
    added = copper & ((stack & COPPER) == 0)
    assert tied.added_mm2 == pytest.approx(added.sum() * 0.02**2)
    # As wide as the narrowest line (8 px), and no longer than the gaps between neighbours (50 px) and what they enter.
    assert added.sum() <= (tied.before - 1) * 8 * 75
    # Everywhere at least a line wide: a square of 8 px fits in at each of its pixels.
    assert ndimage.binary_opening(copper, np.ones((7, 7)))[added].mean() > 0.95


def test_ties_go_where_copper_shows_least() -> None:
    fab = board("nocturne-gold")
    stack = bare(300, 300)
    stack[100:200, 40:80] |= COPPER
    stack[100:200, 220:260] |= COPPER
    colours = finish_colours(fab)
    art = dark(stack)
    # A road in the colour of copper, the longer way round.
    road = np.zeros(stack.shape, bool)
    road[40:64, 40:260] = road[40:100, 40:80] = road[40:100, 220:260] = True
    art[road] = colours.srgb[[finish.id for finish in fab.finishes].index("copper")]
    added = tie_copper(planes(stack), fab, colours.lab, art).planes.plane(COPPER) & ((stack & COPPER) == 0)
    assert added.any()
    assert (added & road).sum() > 0.9 * added.sum()


def test_no_tie_runs_over_bare_laminate_or_at_the_edge() -> None:
    fab = board("nocturne-gold")
    stack = bare(300, 300)
    stack[100:200, 40:80] |= COPPER
    stack[100:200, 220:260] |= COPPER
    stack[:, 140:150] |= OPENING
    tied = tie_copper(planes(stack), fab, finish_colours(fab).lab, dark(stack))
    assert tied.after == tied.before == 2
    stack[100:200, 140:150] = BOARD
    tied = tie_copper(planes(stack), fab, finish_colours(fab).lab, dark(stack))
    assert tied.after == 1
    added = tied.planes.plane(COPPER) & ((stack & COPPER) == 0)
    away = ndimage.distance_transform_edt((stack & OPENING) == 0)
    assert away[added].min() > 4  # 0.08 mm, which the mask may shift


@pytest.mark.parametrize("seed", range(4))
def test_ties_and_joins_break_no_limit(seed: int) -> None:
    """By OpenCV, from the definitions: bridges between round parts leave no notch narrower than the fab's gap."""
    fab = board("nocturne-gold")
    rng = np.random.default_rng(seed)
    stack = bare(500, 600)
    rows, columns = np.ogrid[:500, :600]
    for y in range(70, 460, 105):
        for x in range(70, 560, 105):
            middle_y, middle_x = np.array([y, x]) + rng.uniform(-12, 12, 2)
            stack[(rows - middle_y) ** 2 + (columns - middle_x) ** 2 < rng.uniform(24, 38) ** 2] |= COPPER
    nothing, whole = np.zeros(stack.shape, bool), np.ones(stack.shape, bool)
    assert broken_limits(stack & COPPER != 0, nothing, nothing, whole, fab, 20.0) == {}
    tied = tie_copper(planes(stack), fab, finish_colours(fab).lab, dark(stack))
    assert (tied.before, tied.after) == (ndimage.label(stack & COPPER)[1], 1)
    for made in (tied, join_copper(planes(stack), fab)):
        copper = made.planes.plane(COPPER)
        assert (copper >= (stack & COPPER != 0)).all()
        assert made.after == ndimage.label(copper)[1]
        assert broken_limits(copper, nothing, nothing, whole, fab, 20.0) == {}


def test_parts_near_each_other_are_joined_and_far_ones_are_not() -> None:
    fab = board("nocturne-gold")
    stack = bare(300, 400)
    stack[100:200, 50:100] |= COPPER
    stack[100:200, 112:160] |= COPPER
    stack[100:200, 300:340] |= COPPER
    joined = join_copper(planes(stack), fab)
    assert (joined.before, joined.after) == (3, 2)
    added = joined.planes.plane(COPPER) & ((stack & COPPER) == 0)
    assert added[110:190, 100:112].all()
    assert added.sum() <= 100 * 12


def test_balance_is_what_numpy_counts_tile_by_tile() -> None:
    rng = np.random.default_rng(3)
    stack = bare(1200, 1700)
    stack[rng.random(stack.shape) < 0.3] |= COPPER
    stack[:700, :900] |= COPPER
    stack[900:, 1500:] = 0
    below = bare(1200, 1700)
    below[:, :850] |= COPPER
    below[900:, :200] = 0
    found = copper_balance(planes(stack), planes(below), threads=2)
    board_area = (stack & BOARD != 0).sum()
    assert found.top == pytest.approx((stack & COPPER).sum() / board_area)
    assert found.bottom == pytest.approx((below & COPPER).sum() / board_area)
    for tiles, side in ((found.top_tiles, stack), (found.bottom_tiles, below[:, ::-1])):
        for i in range(3):
            for k in range(4):
                part = side[i * 500 : (i + 1) * 500, k * 500 : (k + 1) * 500]
                on_board = (part & BOARD != 0).sum()
                if on_board < 0.25 * 500 * 500:
                    assert np.isnan(tiles[i, k])
                else:
                    assert tiles[i, k] == pytest.approx((part & COPPER).sum() / on_board, rel=1e-5)
    assert found.apart_points == pytest.approx(100 * abs(found.top - found.bottom))
    assert found.worst_tile_points == pytest.approx(100 * np.nanmax(np.abs(found.top_tiles - found.bottom_tiles)))


def test_the_caution_names_its_standards_and_says_that_the_limit_is_ours() -> None:
    full = bare(600, 600) | COPPER
    apart = copper_balance(planes(full), None)
    assert apart.apart_points == 100.0 > APART_POINTS
    assert apart.caution is not None
    for words in ("bow and twist", "IPC-6012", "IPC-TM-650 2.4.22", "no source"):
        assert words in apart.caution
    assert copper_balance(planes(full), planes(full)).caution is None


def test_a_hatch_is_half_copper_in_one_part_and_can_be_made() -> None:
    fab = board("nocturne-gold")
    stack = bare(700, 700)
    stack[50:650, 50:650] |= COPPER | HATCHED
    cut = cut_hatches(planes(stack), fab, threads=2)
    copper = cut.plane(COPPER)
    assert not cut.plane(HATCHED).any()
    assert ndimage.label(copper)[1] == 1
    assert copper[150:550, 150:550].mean() == pytest.approx(0.5, abs=0.03)
    assert (copper <= (stack & COPPER != 0)).all()
    rows, columns = np.ogrid[-6:7, -6:7]
    round_12 = rows**2 + columns**2 <= 6.0**2
    gaps = (stack & COPPER != 0) & ~copper
    for drawn in (copper, gaps):  # a disc nearly as wide as the fab's 0.25 mm passes through lines and gaps
        assert ndimage.binary_opening(drawn, round_12)[drawn].mean() > 0.99
    # The frame.
    assert copper[50:63, 50:650].all()
    # Lines at 45 degrees: the picture repeats one pixel down and one to the left.
    assert (copper[200:400, 201:401] == copper[201:401, 200:400]).all()


def test_large_unseen_copper_is_hatched_and_nothing_that_is_seen() -> None:
    fab = board("alba-black")
    stack = bare(900, 900)
    stack[30:870, 30:870] |= COPPER | FREE_COPPER
    stack[400:500, 400:500] = BOARD | COPPER | OPENING
    hatched = hatch_unseen(planes(stack), fab, threads=2)
    marked = hatched.plane(HATCHED)
    assert marked.sum() > 0.4 * 840 * 840
    # Clear of what is seen by the widths that legend keeps from openings and may shift: 0.23 and 0.15 mm.
    unseen = stack & FREE_COPPER != 0
    assert ndimage.distance_transform_edt(unseen)[marked].min() > (0.23 + 0.15) / 0.02
    assert (seen_labels(hatched, fab) == seen_labels(planes(stack), fab)).all()
    small = bare(900, 900)
    small[100:160, 100:800] |= COPPER | FREE_COPPER
    assert not hatch_unseen(planes(small), fab).plane(HATCHED).any()


@pytest.mark.parametrize(("dots", "seed"), [(3, 1), (3, 2), (3, 8), (5, 4), (5, 9), (8, 5)])
def test_a_hatch_leaves_no_copper_too_thin_to_make(dots: int, seed: int) -> None:
    """By OpenCV, from the definitions: round ends of gaps, beside what is seen, neither meet nor leave slivers."""
    fab = board("alba-black")
    rng = np.random.default_rng(seed)
    stack = bare(900, 900)
    stack[20:880, 20:880] |= COPPER | FREE_COPPER
    rows, columns = np.ogrid[:900, :900]
    for y, x, radius in zip(*rng.uniform(60, 840, (2, dots)), rng.uniform(4, 40, dots), strict=True):
        stack[(rows - y) ** 2 + (columns - x) ** 2 < radius**2] = BOARD | COPPER
    copper = cut_hatches(hatch_unseen(planes(stack), fab, threads=2), fab, threads=2).plane(COPPER)
    assert 0.5 < copper.sum() / (stack & COPPER != 0).sum() < 0.75
    nothing, whole = np.zeros(stack.shape, bool), np.ones(stack.shape, bool)
    assert broken_limits(copper, nothing, nothing, whole, fab, 20.0) == {}


def test_copper_at_an_edge_is_found_where_it_is() -> None:
    fab = board("nocturne-gold")
    stack = bare(400, 500)
    stack[100:300, 100:400] |= COPPER
    assert copper_at_edge(planes(stack), fab).count == 0
    stack[200:210, :100] |= COPPER
    stack[390:, 450:460] |= COPPER
    found = copper_at_edge(planes(stack), fab)
    distance = ndimage.distance_transform_edt(np.pad(stack & BOARD != 0, 1))[1:-1, 1:-1]
    near = (stack & COPPER != 0) & (distance <= 15)
    assert found.limit_mm == 0.3
    assert found.count == 2
    assert found.area_mm2 == pytest.approx(near.sum() * 0.02**2)
    assert found.places_mm[0] == pytest.approx((7.5 * 0.02, (400 - 205) * 0.02))
    assert copper_at_edge(planes(stack), fab, edge="scored").area_mm2 > found.area_mm2
