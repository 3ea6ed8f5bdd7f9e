"""What a router leaves, by closed form.

In a right-angled inside corner a bit of radius r leaves r^2 (1 - pi / 4) and stays r (sqrt 2 - 1) off it; in one of the
angle t, r^2 (cot(t / 2) - (pi - t) / 2) and r (1 / sin(t / 2) - 1). Geometry of the tangent circle.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon, box

from worker.engine.fabrication.router_reach import cut_out_reach, outline_reach
from worker.outlines import circle_points, rounded_rectangle_points, slot_points

# Of section "inside corner left by bit" of common check values: r, stand-off, area.
RIGHT_ANGLES = [(1.0, 0.4142, 0.2146), (0.4, 0.1657, 0.0343)]
ELL = Polygon([(0, 0), (20, 0), (20, 8), (9, 8), (9, 20), (0, 20)])


@pytest.mark.parametrize(("radius", "stand_off", "area"), RIGHT_ANGLES)
def test_the_inside_corner_of_an_outline(radius: float, stand_off: float, area: float) -> None:
    reach = outline_reach(ELL, radius)
    (corner,) = reach.left_over
    assert (corner.x_mm, corner.y_mm) == pytest.approx((9.0, 8.0), abs=1e-6)
    assert corner.stand_off_mm == pytest.approx(stand_off, abs=1e-3)
    assert corner.area_mm2 == pytest.approx(area, abs=1e-3)
    (routed,) = reach.routed
    assert routed.area == pytest.approx(ELL.area + radius**2 * (1 - math.pi / 4), abs=1e-3)


@pytest.mark.parametrize(("radius", "stand_off", "area"), RIGHT_ANGLES)
def test_the_four_corners_of_a_cut_out(radius: float, stand_off: float, area: float) -> None:
    reach = cut_out_reach(box(3, 4, 9, 11), radius)
    assert len(reach.left_over) == 4
    assert {(round(each.x_mm, 3), round(each.y_mm, 3)) for each in reach.left_over} == {
        (3, 4),
        (9, 4),
        (3, 11),
        (9, 11),
    }
    for corner in reach.left_over:
        assert corner.stand_off_mm == pytest.approx(stand_off, abs=1e-3)
        assert corner.area_mm2 == pytest.approx(area, abs=1e-3)


@given(st.floats(0.3, 2.2), st.floats(0.2, 1.5))
@settings(deadline=None, max_examples=30)
def test_inside_corners_of_any_angle(angle: float, radius: float) -> None:
    far = 60.0
    wedge = Polygon([(0, 0), (far, 0), (far * math.cos(angle), far * math.sin(angle))])
    corner = min(cut_out_reach(wedge, radius).left_over, key=lambda each: math.hypot(each.x_mm, each.y_mm))
    # A blunter corner leaves too little to be listed. The radius is taken a micrometre less than the bit's.
    stand_off = radius * (1 / math.sin(angle / 2) - 1)
    assert corner.stand_off_mm == pytest.approx(stand_off, rel=0.006, abs=0.001)
    expected = radius**2 * (1 / math.tan(angle / 2) - (math.pi - angle) / 2)
    assert corner.area_mm2 == pytest.approx(expected, rel=0.02, abs=0.002)


@pytest.mark.parametrize(
    "shape",
    [
        box(0, 0, 20, 10),
        Polygon(circle_points(5, 5, 9)),
        Polygon(rounded_rectangle_points(20, 10, 3)),
        Polygon([(0, 0), (20, 3), (11, 19)]),
    ],
)
def test_convex_outlines_leave_nothing(shape: Polygon) -> None:
    assert outline_reach(shape, 1.0).left_over == ()


@pytest.mark.parametrize("width", [2.0, 3.0])
def test_round_cut_outs_as_wide_as_the_bit_leave_nothing(width: float) -> None:
    for points in (circle_points(0, 0, width), slot_points((0, 0), (5, 5), width)):
        reach = cut_out_reach(Polygon(points), 1.0)
        assert len(reach.routed) == 1 and reach.left_over == ()


def test_a_cut_out_narrower_than_the_bit_has_no_part_that_it_reaches() -> None:
    assert cut_out_reach(box(0, 0, 1.9, 10), 1.0).routed == ()


def test_a_waist_parts_a_cut_out() -> None:
    dumbbell = box(0, 0, 4, 4).union(box(4, 1.5, 8, 2.5)).union(box(8, 0, 12, 4))
    assert len(cut_out_reach(dumbbell, 1.0).routed) == 2


def test_a_bay_with_a_narrow_mouth_becomes_a_cut_out() -> None:
    bay = box(0, 0, 20, 20).difference(box(5, 5, 15, 15)).difference(box(9.5, 15, 10.5, 21))
    (routed,) = outline_reach(bay, 1.0).routed
    assert len(routed.interiors) == 1
    assert np.isclose(Polygon(routed.interiors[0]).area, 100 - 4 * (1 - math.pi / 4), atol=0.3)
