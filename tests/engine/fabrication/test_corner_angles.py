"""Sharpest corners, against angles of plane geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest

from worker.engine.fabrication.corner_angles import sharpest_corner
from worker.outlines import circle_points, rounded_rectangle_points


def turned(points: list[tuple[float, float]], degrees: float) -> np.ndarray:
    angle = math.radians(degrees)
    return np.array(points) @ np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])


@pytest.mark.parametrize("degrees", [10.0, 45.0, 59.0, 61.0, 120.0])
@pytest.mark.parametrize("rotation", [0.0, 33.0])
def test_a_tip_of_a_known_angle(degrees: float, rotation: float) -> None:
    half = math.tan(math.radians(degrees / 2.0)) * 30.0
    found = sharpest_corner([turned([(0, 0), (30, -half), (60, 0), (30, half)], rotation)])
    assert found is not None
    assert found[0] == pytest.approx(min(degrees, 180.0 - degrees), abs=0.5)


def test_a_rectangle_is_square_and_a_disc_has_no_point() -> None:
    square = sharpest_corner([np.array([(0, 0), (20, 0), (20, 10), (0, 10)])])
    assert square is not None and square[0] == pytest.approx(90.0)
    disc = sharpest_corner([np.array(circle_points(10.0, 10.0, 20.0))])
    assert disc is not None and disc[0] > 170.0


def test_a_radius_of_half_a_millimetre_takes_the_point_off() -> None:
    """By geometry: half a millimetre along an arc of radius r turns by 0.5 / r."""
    round_one = sharpest_corner([np.array(rounded_rectangle_points(20.0, 10.0, 1.0))])
    assert round_one is not None and round_one[0] > 130.0
    barely = sharpest_corner([np.array(rounded_rectangle_points(20.0, 10.0, 0.05))])
    assert barely is not None and barely[0] < 100.0


def test_inside_corners_do_not_count_and_cut_outs_are_read_the_other_way_round() -> None:
    arrow = np.array([(0, 0), (20, 0), (20, 20), (19, 1), (0, 1)], float)
    found = sharpest_corner([arrow])
    assert found is not None and found[1:] == (20.0, 20.0)
    square = np.array([(0, 0), (20, 0), (20, 20), (0, 20)], float)
    star = np.array([(8, 8), (10, 12), (12, 8), (10, 9)], float)  # clockwise: the board juts in at 10, 9
    both = sharpest_corner([square, star])
    assert both is not None and both[0] == pytest.approx(90.0)
    assert sharpest_corner([star[::-1]]) is not None
