"""Outlines as points. Curves by closed form; path data whole against resvg in test_svg_outline.

The commands and their meaning: SVG 1.1 (W3C Recommendation 2011), section 8.3.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Point as Place
from shapely.geometry import Polygon

from worker.errors import BoardError
from worker.outlines import CHORD_MM, circle_points, read_path_data, rounded_rectangle_points, slot_points

SIZES = st.floats(0.1, 200.0)


@given(SIZES)
def test_a_circle_is_off_by_the_chord_error_at_most(diameter: float) -> None:
    polygon = Polygon(circle_points(3.0, -4.0, diameter))
    true = math.pi * diameter**2 / 4.0
    # A ring as wide as the chord error, along the edge, is the most that chords cut off.
    assert true - math.pi * diameter * CHORD_MM <= polygon.area <= true
    assert polygon.exterior.is_ccw and polygon.is_valid
    assert polygon.bounds == pytest.approx(
        (3.0 - diameter / 2, -4.0 - diameter / 2, 3.0 + diameter / 2, -4.0 + diameter / 2), abs=1e-9
    )


@given(SIZES, st.floats(0.1, 50.0), st.floats(0.0, 6.3))
def test_a_slot_is_a_rectangle_and_a_circle(length: float, width: float, turn: float) -> None:
    end = (1.0 + length * math.cos(turn), 2.0 + length * math.sin(turn))
    polygon = Polygon(slot_points((1.0, 2.0), end, width))
    assert polygon.is_valid
    true = length * width + math.pi * width**2 / 4.0
    assert true - math.pi * width * CHORD_MM - 1e-9 <= polygon.area <= true + 1e-9
    assert Place(1.0, 2.0).distance(polygon.exterior) == pytest.approx(width / 2.0, abs=CHORD_MM)


@given(st.floats(1.0, 100.0), st.floats(1.0, 100.0), st.floats(0.0, 1.0))
def test_a_rectangle_loses_four_corners(width: float, height: float, share: float) -> None:
    radius = share * min(width, height) / 2.0
    polygon = Polygon(rounded_rectangle_points(width, height, radius))
    assert polygon.area == pytest.approx(
        width * height - (4.0 - math.pi) * radius**2, abs=7.0 * radius * CHORD_MM + 1e-9
    )
    assert polygon.bounds == pytest.approx((0.0, 0.0, width, height), abs=1e-9)


@pytest.mark.parametrize(
    ("text", "points"),
    [
        ("M 1 2 L 3 4 5 0 Z", [(1, 2), (3, 4), (5, 0)]),
        ("m1 2l2 2 2-4z", [(1, 2), (3, 4), (5, 0)]),
        ("M1,2 3,4 5,0Z", [(1, 2), (3, 4), (5, 0)]),
        ("M0 0H10V5h-10z", [(0, 0), (10, 0), (10, 5), (0, 5)]),
        ("M.5.5 1e1-2L+3 4 .5.5", [(0.5, 0.5), (10, -2), (3, 4)]),
    ],
)
def test_straight_path_data(text: str, points: list[tuple[float, float]]) -> None:
    (subpath,) = read_path_data(text, where="x")
    assert subpath.closed and list(subpath.points) == points


def test_subpaths_start_where_the_last_one_closed() -> None:
    first, second, third = read_path_data("M 1 1 h 2 v 2 z l 1 -1 h 1 z m 5 5 h 1 v 1", where="x")
    assert first.closed and second.closed and not third.closed
    assert second.points == ((1, 1), (2, 0), (3, 0))
    assert third.points == ((6, 6), (7, 6), (7, 7))


@pytest.mark.parametrize(
    "text",
    [
        "M 3 0 A 3 3 0 0 1 -3 0 A 3 3 0 0 1 3 0 Z",
        "M 3 0 a3 3 0 01-6 0 3 3 0 016 0z",
        "M 3 0 A 1 1 0 1 0 -3 0 A 1 1 0 1 0 3 0 Z",  # radii too small for their chord are made larger (F.6.6)
    ],
)
def test_arcs_have_area_and_distance_of_their_circle(text: str) -> None:
    (subpath,) = read_path_data(text, where="x")
    assert Polygon(subpath.points).area == pytest.approx(math.pi * 9.0, abs=6.0 * math.pi * CHORD_MM)
    assert all(math.hypot(x, y) == pytest.approx(3.0, abs=1e-9) for x, y in subpath.points)


@pytest.mark.parametrize(
    ("text", "area"),
    [
        ("M 0 0 Q 1 2 2 0 Z", 4.0 / 3.0),  # two thirds of the parallelogram round it (Archimedes)
        ("M 0 0 Q 1 2 2 0 T 4 0", 0.0),  # the smooth half mirrors the first: what one adds the other takes
        ("M 0 0 C 0 4 3 4 3 0 Z", 7.2),  # by Green's theorem 3/20 (3 * 8 + 4 * 3 + 3 * 4)
        ("M 0 0 C 0 4 3 4 3 0 S 6 -4 6 0", 0.0),
    ],
)  # fmt: skip
def test_areas_of_bezier_curves(text: str, area: float) -> None:
    (subpath,) = read_path_data(text, where="x")
    following = [*subpath.points[1:], subpath.points[0]]
    signed = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(subpath.points, following, strict=True))
    assert abs(signed) / 2.0 == pytest.approx(area, abs=10 * CHORD_MM)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("L 1 1", "before any M"),
        ("M 0 0 L 1", "no number (2 of 2 for L)"),
        ("M 0 0 X 1 1", "the command 'X'"),
        ("M 0 0 L 1 1 Z 2", "no command"),
        ("M 0 0 A 1 1 0 2 0 1 1", "no flag (4 of 7 for A)"),
        ("M 0 0 L 1e9 1", "the number 1e9"),
        ("M 0 0 L nan 1", "no number"),
        ("M 0 0 C 1e6 1e6 -1e6 1e6 0 1e-3 " * 300, "more than 200,000 points"),
    ],
)
def test_what_is_no_path_data_is_refused_at_its_character(text: str, words: str) -> None:
    with pytest.raises(BoardError) as caught:
        read_path_data(text, where="b.toml: outline.path")
    assert caught.value.what.startswith("b.toml: outline.path: the path data has ")
    assert words in caught.value.what and " at character " in caught.value.what
    assert "such as M 0 0 H 60" in caught.value.mend


@given(st.text(alphabet="MmLlHhVvCcSsQqTtAaZz0123456789.-+eE, ", max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        subpaths = read_path_data(text, where="x")
    except BoardError:
        return
    assert all(len(subpath.points) >= 1 for subpath in subpaths)
