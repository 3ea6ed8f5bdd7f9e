"""Contours through fewer points: near the true ones, uncrossed, shared by all layers. Checked with shapely (GEOS)."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.engine.fabrication.rasters import SEEDS, planes_from, random_stack
from tests.engine.fabrication.test_contours import LAYERS, painted, twice_area
from worker.engine.fabrication.as_written import stack_as_written
from worker.engine.fabrication.contours import TRACED, Contours, trace
from worker.engine.fabrication.planes import BOARD, COPPER
from worker.engine.fabrication.rings import layer_rings, rings_of
from worker.engine.fabrication.simplify import COARSE_PX, FINE_PX, simplify, tolerance_for
from worker.errors import SettingsError

TOLERANCES = st.sampled_from([FINE_PX, 0.6, COARSE_PX])


def segments(contours: Contours) -> np.ndarray:
    """int (n, 2, 2): every straight piece of every arc."""
    pieces = [np.stack([arc[:-1], arc[1:]], axis=1) for arc in map(contours.arc, range(contours.arcs))]
    return np.concatenate(pieces) if pieces else np.empty((0, 2, 2), np.int32)


def undirected(pieces: np.ndarray) -> set[tuple[tuple[int, ...], ...]]:
    return {tuple(sorted(map(tuple, piece))) for piece in pieces.tolist()}


@settings(max_examples=200, deadline=None)
@given(SEEDS, TOLERANCES)
def test_nothing_crosses_touches_or_coincides(seed: int, tolerance: float) -> None:
    """GEOS cuts lines wherever they meet other than at their ends: it finds nothing to cut, and nothing twice."""
    pieces = segments(simplify(trace(planes_from(random_stack(seed))), tolerance))
    noded = shapely.node(shapely.multilinestrings(shapely.linestrings(pieces.astype(float))))
    assert shapely.get_num_geometries(noded) == len(pieces) == len(undirected(pieces))


@settings(max_examples=100, deadline=None)
@given(SEEDS, TOLERANCES)
def test_every_layers_rings_are_valid_and_made_of_shared_pieces(seed: int, tolerance: float) -> None:
    contours = simplify(trace(planes_from(random_stack(seed))), tolerance)
    every = undirected(segments(contours))
    for bit in LAYERS:
        for ring, depth in zip(rings := layer_rings(contours, bit), rings.depths, strict=True):
            assert shapely.Polygon(ring).is_valid
            assert (twice_area(ring) > 0) == (depth % 2 == 0)
            assert undirected(np.stack([ring, np.roll(ring, -1, axis=0)], axis=1)) <= every


@settings(max_examples=100, deadline=None)
@given(SEEDS, TOLERANCES)
def test_neighbours_leave_no_gap_and_do_not_overlap(seed: int, tolerance: float) -> None:
    """The areas of all labels are together the board, to the last square; and GEOS calls them a valid coverage."""
    stack = random_stack(seed) | np.uint8(BOARD)
    contours = simplify(trace(planes_from(stack)), tolerance)
    shapes = []
    total = 0
    for label in np.unique(stack & TRACED):
        rings = rings_of(contours, np.arange(256) == label)
        total += sum(twice_area(ring) for ring in rings)
        outers = [shapely.Polygon(ring) for ring, depth in zip(rings, rings.depths, strict=True) if depth % 2 == 0]
        holes = [shapely.Polygon(ring) for ring, depth in zip(rings, rings.depths, strict=True) if depth % 2]
        for outer in outers:
            inside = [hole for hole in holes if outer.contains(hole)]
            nearest = [
                hole
                for hole in inside
                if not any(o is not outer and outer.contains(o) and o.contains(hole) for o in outers)
            ]
            shapes.append(shapely.Polygon(outer.exterior, [hole.exterior for hole in nearest]))
    assert total == sum(twice_area(ring) for ring in layer_rings(contours, BOARD))
    assert shapely.coverage_is_valid(shapes)


@settings(max_examples=100, deadline=None)
@given(SEEDS, TOLERANCES)
def test_no_contour_moves_farther_than_the_tolerance(seed: int, tolerance: float) -> None:
    exact = trace(planes_from(random_stack(seed)))
    simple = simplify(exact, tolerance)
    for i in range(exact.arcs):
        before, after = shapely.LineString(exact.arc(i)), shapely.LineString(simple.arc(i))
        assert shapely.hausdorff_distance(after, before, densify=0.05) <= tolerance + 1e-9
        assert (exact.arc(i)[[0, -1]] == simple.arc(i)[[0, -1]]).all()


@settings(max_examples=150, deadline=None)
@given(SEEDS, st.floats(0.0, FINE_PX))
def test_below_half_a_pixel_the_picture_stays(seed: int, tolerance: float) -> None:
    stack = random_stack(seed)
    contours = simplify(trace(planes_from(stack)), tolerance)
    assert (stack_as_written(contours) == stack & TRACED).all()


@settings(max_examples=60, deadline=None)
@given(SEEDS)
def test_the_stack_as_written_is_what_geos_paints(seed: int) -> None:
    """Centres that lie on a line aside: those belong to one side or the other."""
    contours = simplify(trace(planes_from(random_stack(seed))), COARSE_PX)
    grid = contours.grid
    rows, columns = np.mgrid[: grid.height_px, : grid.width_px] + 0.5
    lines = shapely.multilinestrings(shapely.linestrings(segments(contours).astype(float)))
    clear = (
        shapely.distance(shapely.points(columns, rows), lines) > 1e-9 if contours.arcs else np.ones(rows.shape, bool)
    )
    written = stack_as_written(contours)
    for bit in LAYERS:
        assert (painted(layer_rings(contours, bit)) == ((written & bit) != 0))[clear].all()


def test_a_slope_becomes_a_line_and_a_dot_stays() -> None:
    """By hand: a staircase of 1 px steps, whose corners are 0.71 px from a straight line, and a dot of one pixel."""
    stack = np.where(np.tri(40, 40, dtype=bool), BOARD | COPPER, BOARD).astype(np.uint8)
    stack[2, 37] = BOARD | COPPER
    exact, coarse = trace(planes_from(stack)), simplify(trace(planes_from(stack)), COARSE_PX)
    assert max(map(len, layer_rings(exact, COPPER))) > 80
    assert sorted(len(ring) for ring in layer_rings(coarse, COPPER)) == [4, 6]


def test_a_long_contour_is_simplified_in_pieces() -> None:
    """A comb of 3,000 teeth is one arc; a straight shallow slope between its ends is still found."""
    rows, columns = np.mgrid[:40, :6000]
    stack = np.where(rows > 10 + columns // 400, BOARD | COPPER, BOARD).astype(np.uint8)
    stack[30:, ::2] = BOARD
    simple = simplify(trace(planes_from(stack)), COARSE_PX, threads=2)
    pieces = segments(simple)
    noded = shapely.node(shapely.multilinestrings(shapely.linestrings(pieces.astype(float))))
    assert shapely.get_num_geometries(noded) == len(pieces)
    assert len(simple.points) < len(trace(planes_from(stack)).points)


@settings(max_examples=30, deadline=None)
@given(SEEDS)
def test_threads_change_nothing(seed: int) -> None:
    contours = trace(planes_from(random_stack(seed)))
    one, three = simplify(contours, COARSE_PX), simplify(contours, COARSE_PX, threads=3)
    assert np.array_equal(one.points, three.points) and np.array_equal(one.starts, three.starts)


def test_a_tolerance_at_which_contours_could_cross_is_refused() -> None:
    contours = trace(planes_from(np.full((2, 2), BOARD, np.uint8)))
    for tolerance in (1.0, 0.76, -0.1, float("nan")):
        with pytest.raises(SettingsError, match="tolerance is"):
            simplify(contours, tolerance)
    assert (tolerance_for(2.0), tolerance_for(8.0)) == (FINE_PX, COARSE_PX)
