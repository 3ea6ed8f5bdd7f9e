"""Contours and rings: exact, simple, nested, shared. Checked with SciPy's labels and with shapely (GEOS)."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from scipy import ndimage

from tests.engine.fabrication.rasters import SEEDS, planes_from, random_stack
from worker.engine.fabrication import contours as contours_room
from worker.engine.fabrication.as_written import stack_as_written
from worker.engine.fabrication.contours import TRACED, trace
from worker.engine.fabrication.grid import Grid, grid_of, nanometres, points_nm
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING
from worker.engine.fabrication.rings import Rings, layer_rings, rings_of
from worker.errors import SettingsError

LAYERS = (COPPER, OPENING, LEGEND, BOARD)


def painted(rings: Rings) -> np.ndarray:
    """bool (H, W): rings filled one after the other by their depth, by the pixels' centres (GEOS)."""
    grid = rings.contours.grid
    rows, columns = np.mgrid[: grid.height_px, : grid.width_px] + 0.5
    out = np.zeros(rows.shape, bool)
    for ring, depth in zip(rings, rings.depths, strict=True):
        out[shapely.contains_xy(shapely.Polygon(ring), columns, rows)] = depth % 2 == 0
    return out


def twice_area(ring: np.ndarray) -> int:
    """Twice the signed area, positive where it runs clockwise as seen: in whole numbers, by the shoelace formula."""
    x, y = ring[:, 0].astype(np.int64), ring[:, 1].astype(np.int64)
    return int((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())


@settings(max_examples=150, deadline=None)
@given(SEEDS)
def test_rings_painted_by_depth_give_the_layer(seed: int) -> None:
    stack = random_stack(seed)
    contours = trace(planes_from(stack))
    for bit in LAYERS:
        rings = layer_rings(contours, bit)
        assert (painted(rings) == ((stack & bit) != 0)).all()
        assert list(rings.depths) == sorted(rings.depths)


@settings(max_examples=150, deadline=None)
@given(SEEDS)
def test_rings_are_simple_and_enclose_the_layers_area(seed: int) -> None:
    stack = random_stack(seed)
    contours = trace(planes_from(stack))
    for bit in LAYERS:
        rings = layer_rings(contours, bit)
        for ring, depth in zip(rings, rings.depths, strict=True):
            assert shapely.Polygon(ring).is_valid
            assert (twice_area(ring) > 0) == (depth % 2 == 0)
            assert len(np.unique(ring, axis=0)) == len(ring)
        assert sum(twice_area(ring) for ring in rings) == 2 * ((stack & bit) != 0).sum()


@settings(max_examples=100, deadline=None)
@given(SEEDS)
def test_parts_and_holes_are_as_many_as_scipy_finds(seed: int) -> None:
    """Parts hold together by their sides; a part's holes are the areas that it leaves out, apart at corners."""
    stack = random_stack(seed)
    contours = trace(planes_from(stack))
    for bit in LAYERS:
        drawn = np.pad((stack & bit) != 0, 1)
        parts, count = ndimage.label(drawn)
        holes = sum(ndimage.label(parts != part)[1] - 1 for part in range(1, count + 1))
        depths = layer_rings(contours, bit).depths
        assert ((depths % 2 == 0).sum(), (depths % 2 == 1).sum()) == (count, holes)


def test_nested_rings_have_rising_depths() -> None:
    """Five squares in each other, by hand."""
    stack = np.full((22, 22), BOARD, np.uint8)
    for i in range(1, 6):
        stack[2 * i : 22 - 2 * i, 2 * i : 22 - 2 * i] = BOARD | (COPPER if i % 2 else 0)
    assert layer_rings(trace(planes_from(stack)), COPPER).depths.tolist() == [0, 1, 2, 3, 4]
    assert layer_rings(trace(planes_from(stack)), BOARD).depths.tolist() == [0]


def test_a_ring_is_cut_where_it_would_meet_itself() -> None:
    """A loop of eight pixels that closes at a corner only: an outer ring, and a hole that touches it there."""
    stack = np.zeros((4, 4), np.uint8)
    stack[0, 1:4] = stack[1:4, 3] = stack[3, 1:3] = stack[2, 0] = stack[3, 0] = stack[1, 1] = BOARD
    rings = layer_rings(trace(planes_from(stack)), BOARD)
    assert rings.depths.tolist() == [0, 1]
    assert twice_area(rings.ring(1)) == -2 * 3
    corner = {(1, 2)}
    assert corner <= set(map(tuple, rings.ring(0).tolist())) & set(map(tuple, rings.ring(1).tolist()))


def test_parts_that_touch_at_a_corner_are_two_rings() -> None:
    stack = np.array([[BOARD, 0], [0, BOARD]], np.uint8)
    rings = layer_rings(trace(planes_from(stack)), BOARD)
    assert [twice_area(ring) for ring in rings] == [2, 2]
    assert len(trace(planes_from(stack)).at_nodes) == 1


def test_nodes_are_where_three_areas_meet() -> None:
    """Three labels in a T, on the picture's border: the two ends of each line inside, and no other point."""
    stack = np.full((4, 4), BOARD, np.uint8)
    stack[2:, :2], stack[2:, 2:] = BOARD | COPPER, BOARD | LEGEND
    contours = trace(planes_from(stack))
    at = {tuple(point) for i in range(contours.arcs) for point in contours.arc(i)[[0, -1]].tolist()}
    assert at == {(0, 2), (4, 2), (2, 2), (2, 4)}
    assert len(contours.at_nodes) == 4


@settings(max_examples=60, deadline=None)
@given(SEEDS)
def test_every_border_is_one_arc_and_every_layer_uses_it(seed: int) -> None:
    """Each pixel edge with two labels lies in exactly one arc, with those labels on its sides."""
    stack = np.pad(random_stack(seed) & TRACED, 1)
    contours = trace(planes_from(stack[1:-1, 1:-1]))
    seen = 0
    for i in range(contours.arcs):
        left, right = contours.sides[i].tolist()
        for (x, y), (to_x, to_y) in zip(contours.arc(i).tolist(), contours.arc(i).tolist()[1:], strict=False):
            for step in range(max(abs(to_x - x), abs(to_y - y))):
                c, r = x + np.sign(to_x - x) * step, y + np.sign(to_y - y) * step
                if to_y == y:
                    above, below = (
                        stack[r, min(c, c + np.sign(to_x - x)) + 1],
                        stack[r + 1, min(c, c + np.sign(to_x - x)) + 1],
                    )
                    assert (above, below) == ((left, right) if to_x > x else (right, left))
                else:
                    west, east = (
                        stack[min(r, r + np.sign(to_y - y)) + 1, c],
                        stack[min(r, r + np.sign(to_y - y)) + 1, c + 1],
                    )
                    assert (east, west) == ((left, right) if to_y > y else (right, left))
                seen += 1
    assert seen == (np.diff(stack, axis=0) != 0).sum() + (np.diff(stack, axis=1) != 0).sum()


@settings(max_examples=60, deadline=None)
@given(SEEDS)
def test_strips_and_threads_change_nothing(seed: int) -> None:
    planes = planes_from(random_stack(seed, largest=60))
    whole = trace(planes)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(contours_room, "STRIP_ROWS", 1 + seed % 7)
        strips = trace(planes, threads=3)
    for name in ("points", "starts", "sides", "ends", "headings", "at_nodes", "faces"):
        assert np.array_equal(getattr(whole, name), getattr(strips, name)), name


@settings(max_examples=60, deadline=None)
@given(SEEDS)
def test_any_choice_of_labels_has_rings(seed: int) -> None:
    """What a finish shows is a choice of labels as well."""
    stack = random_stack(seed) & np.uint8(TRACED)
    drawn = np.random.default_rng(seed).random(256) < 0.5
    drawn[0] = False
    assert (painted(rings_of(trace(planes_from(stack)), drawn)) == drawn[stack]).all()


@settings(max_examples=60, deadline=None)
@given(SEEDS)
def test_contours_draw_the_stack_that_they_were_traced_from(seed: int) -> None:
    stack = random_stack(seed)
    contours = trace(planes_from(stack))
    assert (stack_as_written(contours) == stack & TRACED).all()
    assert (stack_as_written(contours, threads=3) == stack & TRACED).all()


def test_an_empty_board_has_no_rings() -> None:
    contours = trace(planes_from(np.zeros((3, 5), np.uint8)))
    assert contours.arcs == 0
    assert len(layer_rings(contours, COPPER)) == 0


def test_pixels_become_whole_nanometres() -> None:
    assert grid_of(planes_from(np.zeros((3, 5), np.uint8), 12.5)) == Grid(height_px=3, width_px=5, pitch_nm=12500)
    assert nanometres(25.4) == 25_400_000  # 1 inch, exact by definition (international yard, 1959)
    assert points_nm(np.array([[1.5, 0.1], [0.3, 2500.0]])).tolist() == [[1_500_000, 100_000], [300_000, 2_500_000_000]]
    with pytest.raises(SettingsError, match="no whole number of nanometres"):
        grid_of(planes_from(np.zeros((3, 5), np.uint8), 25.40005))
