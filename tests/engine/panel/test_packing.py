"""Packing: counts against arithmetic, published bounds and general geometry (shapely)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
import shapely
from shapely.affinity import translate
from shapely.geometry import Polygon, box

from worker.engine.panel.packing import Place, bound_of, pack
from worker.engine.panel.shape_rows import turned_polygon
from worker.outlines import circle_points

DISC = Polygon(circle_points(10.0, 10.0, 20.0))
L_SHAPE = Polygon([(0, 0), (20, 0), (20, 8), (8, 8), (8, 20), (0, 20)])
TRIANGLE = Polygon([(0, 0), (20, 0), (10, 10 * math.sqrt(3.0))])
ALL = (0, 1, 2, 3)


def laid(polygon: Polygon, places: Sequence[Place]) -> list[Polygon]:
    return [translate(turned_polygon(polygon, place.turn), place.x_mm, place.y_mm) for place in places]


def least_distance(shapes: Sequence[Polygon]) -> float:
    return min(one.distance(other) for i, one in enumerate(shapes) for other in shapes[:i])


@pytest.mark.parametrize(
    ("width", "height", "gap", "square"),
    [
        # 20 mm discs, rail 5: floor((W - 2 rail - gap) / (d + gap)) along each side, by arithmetic.
        (100.0, 100.0, 2.0, 16),
        (100.0, 100.0, 2.4, 9),
        (200.0, 150.0, 2.0, 48),
        (200.0, 150.0, 2.4, 48),
    ],
)
def test_discs_are_no_fewer_than_in_a_square_packing(width: float, height: float, gap: float, square: int) -> None:
    region = box(5 + gap, 5 + gap, width - 5 - gap, height - 5 - gap)
    places = pack(region, DISC, spacing=gap, turns=ALL)
    bound = bound_of(region, DISC, spacing=gap)
    assert square <= len(places) <= bound.count
    shapes = laid(DISC, places)
    assert least_distance(shapes) > gap - 0.003
    assert region.buffer(0.003).covers(shapely.union_all(shapes))


def test_rows_of_discs_are_the_hexagonal_packing() -> None:
    """In 6 x 21 diameters: rows 1 / sqrt(3/4) apart hold 6 and 5 in turn, 24 of them; by arithmetic."""
    region = box(0.0, 0.0, 120.0, 420.0)
    rows = math.floor((420.0 - 20.0) / (20.0 * math.sqrt(0.75))) + 1
    hexagonal = 6 * math.ceil(rows / 2) + 5 * (rows // 2)
    assert hexagonal == 132 > 6 * 21
    assert len(pack(region, DISC, spacing=0.0, turns=(0,))) >= hexagonal


def test_oler_bound_is_met_by_a_triangle_of_discs() -> None:
    """n (n + 1) / 2 points in a triangle of side n - 1: Oler's inequality is exact there (Oler 1961)."""
    n = 5
    side = 20.0 * (n - 1)
    centres = Polygon([(0, 0), (side, 0), (side / 2, side * math.sqrt(0.75))])
    region = centres.buffer(10.0, quad_segs=256)
    assert bound_of(region, DISC, spacing=0.0).count == n * (n + 1) // 2
    assert bound_of(region, DISC, spacing=0.0).density == pytest.approx(math.pi / math.sqrt(12.0), rel=1e-3)


def test_rectangles_that_tile_are_laid_without_a_rest() -> None:
    places = pack(box(0, 0, 100, 80), box(0, 0, 25, 16), spacing=0.0, turns=ALL)
    assert len(places) == 20 == bound_of(box(0, 0, 100, 80), box(0, 0, 25, 16), spacing=0.0).count
    assert shapely.union_all(laid(box(0, 0, 25, 16), places)).area == pytest.approx(8000.0)


def test_what_rows_leave_is_filled_in_another_turn() -> None:
    """18 x 10 in 28 x 18: 10-wide columns stand beside a lying row; three by hand, two by rows of one turn."""
    assert len(pack(box(0, 0, 28, 18), box(0, 0, 18, 10), spacing=0.0, turns=ALL)) >= 2
    assert len(pack(box(0, 0, 38, 18), box(0, 0, 18, 10), spacing=0.0, turns=(0,))) == 2
    assert len(pack(box(0, 0, 38, 18), box(0, 0, 18, 10), spacing=0.0, turns=ALL)) == 3


@pytest.mark.parametrize("polygon", [L_SHAPE, TRIANGLE], ids=["L", "triangle"])
def test_turned_pieces_interlock(polygon: Polygon) -> None:
    region = box(0, 0, 100, 70)
    one, all_turns = (pack(region, polygon, spacing=2.0, turns=turns) for turns in ((0,), ALL))
    shapes = laid(polygon, all_turns)
    assert len(all_turns) > len(one)
    assert least_distance(shapes) > 1.997
    assert region.buffer(0.003).covers(shapely.union_all(shapes))
    assert len(all_turns) <= bound_of(region, polygon, spacing=2.0).count


def test_a_region_of_any_shape_with_a_hole() -> None:
    region = Polygon(circle_points(50, 50, 100)).difference(box(40, 40, 60, 60))
    shapes = laid(DISC, pack(region, DISC, spacing=1.0, turns=(0,)))
    assert len(shapes) >= 8
    assert region.buffer(0.003).covers(shapely.union_all(shapes)) and least_distance(shapes) > 0.997


@pytest.mark.parametrize(
    ("ratio", "known"),
    # Least ratio of a circle's radius to that of n equal discs in it: 1 + 1 / sin(pi / 5) and so on (Kravitz 1967,
    # Graham 1968, as tabled; from memory): 5 discs from 2.7013, 7 from 3, 8 from 3.3048, 19 from 4.8637.
    [(2.702, 5), (3.001, 7), (3.306, 8), (4.865, 19)],
)
def test_few_discs_in_a_disc_are_as_many_as_can_be(ratio: float, known: int) -> None:
    region = Polygon(circle_points(0.0, 0.0, 20.0 * ratio))
    shapes = laid(DISC, pack(region, DISC, spacing=0.0, turns=(0,)))
    assert len(shapes) == known
    assert region.buffer(0.003).covers(shapely.union_all(shapes)) and least_distance(shapes) > -1e-9
    overlap = max(one.intersection(other).area for i, one in enumerate(shapes) for other in shapes[:i])
    assert overlap < 1e-3


def test_no_more_than_asked_for() -> None:
    assert len(pack(box(0, 0, 100, 100), DISC, spacing=2.0, turns=ALL, most=5)) == 5
    assert pack(box(0, 0, 19, 19), DISC, spacing=2.0, turns=ALL) == []
