"""The board's shape: areas by closed form, and what can't be made or ordered.

Holes, slots, walls and bits against a fab's limits: published fab pages, range; that cut lines are single closed lines:
common practice, no source.
"""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from tests.boards import board, picture_of
from tests.engine.artwork.test_svg import svg
from worker.board_file import read_board_file
from worker.engine.artwork.picture import GridPicture
from worker.engine.fabrication.board import BoardShape, lay_on_board, mirrored
from worker.engine.fabrication.board_shape import shape_board
from worker.errors import BoardError
from worker.job_settings import read_settings

FAB = board()
PITCH_UM = 50.0
PIXEL = (PITCH_UM / 1000.0) ** 2


def blank(width_mm: float = 20.0, height_mm: float = 20.0, alpha: np.ndarray | None = None) -> GridPicture:
    shape = round(height_mm * 1000 / PITCH_UM), round(width_mm * 1000 / PITCH_UM)
    return picture_of(np.zeros((*shape, 3), dtype=np.uint8), alpha=alpha, pitch_um=PITCH_UM)


def shaped(
    choice: str = "rectangle",
    picture: GridPicture | None = None,
    *,
    rounded: bool = False,
    svg_file: bytes | None = None,
    **content: Any,
) -> BoardShape:
    file = read_board_file(json.dumps(content).encode(), file_name="mine.json") if content else None
    given = read_settings({"board": choice, "round_corners": "on" if rounded else "off"})
    return shape_board(picture or blank(), given, FAB, board_file=file, svg=svg_file)[1]


def hole(x: float, y: float, diameter: float = 1.0, plated: bool = False, **more: Any) -> dict[str, Any]:
    return {"x": x, "y": y, "diameter": diameter, "plated": plated, **more}


@pytest.mark.parametrize(
    ("choice", "area"),
    [
        ("rectangle", 400.0),
        ("rectangle:3mm", 400.0 - (4.0 - math.pi) * 9.0),
        ("rectangle:10mm", math.pi * 100.0),
        ("disc", math.pi * 100.0),
    ],
)
def test_areas_by_closed_form(choice: str, area: float) -> None:
    shape = shaped(choice)
    assert shape.area_mm2 == pytest.approx(area, abs=0.03)  # a chord error of half a micrometre along the edge
    assert shape.board.sum() * PIXEL == pytest.approx(area, rel=0.001)
    assert shape.size_mm == pytest.approx((20.0, 20.0), abs=1e-9)
    assert shape.findings == () and shape.warnings == ()
    assert Polygon(shape.outline[0]).exterior.is_ccw


def test_a_plain_rectangle_is_all_of_the_grid() -> None:
    shape = shaped()
    assert shape.whole and shape.board.all() and shape.board.strides == (0, 0)  # of no memory
    assert not shaped("rectangle:1mm").whole and not shaped(holes=[hole(5, 5)]).whole


def test_a_disc_in_a_wide_artwork_is_in_its_middle_and_says_so() -> None:
    shape = shaped("disc", blank(40.0, 20.0))
    assert shape.polygon.centroid.coords[0] == pytest.approx((20.0, 10.0), abs=1e-6)
    assert shape.size_mm == pytest.approx((20.0, 20.0)) and "disc of 20 mm" in shape.warnings[0]


def test_holes_and_cut_outs_are_no_board_and_lie_where_the_file_says() -> None:
    shape = shaped(
        cut_outs=[{"circle": [5, 5, 4]}, {"slot": [12, 4, 16, 4, 2]}],
        holes=[hole(4, 16, 2.0, True), hole(10, 12, 1.0, to=[16, 12])],
    )
    taken = math.pi * 4 + (4 * 2 + math.pi) + math.pi + (6 * 1 + math.pi / 4)
    assert shape.area_mm2 == pytest.approx(400.0 - taken, abs=0.03)
    assert shape.board.sum() * PIXEL == pytest.approx(400.0 - taken, abs=0.1)
    for x, y in ((5, 5), (14, 4), (4, 16), (13, 12)):
        row, column = round((20 - y) * 1000 / PITCH_UM), round(x * 1000 / PITCH_UM)
        assert not shape.board[row - 5 : row + 5, column - 5 : column + 5].any()
    assert len(shape.outline) == 3
    assert all(not shapely.LinearRing(ring).is_ccw for ring in shape.outline[1:])
    assert shape.findings == ()


@pytest.mark.parametrize(
    ("origin", "x", "y"), [("lower left", 5.0, 4.0), ("centre", -5.0, -6.0), ("upper left", 5.0, 16.0)]
)
def test_one_place_from_each_origin(origin: str, x: float, y: float) -> None:
    (placed,) = shaped(origin=origin, holes=[hole(x, y)]).holes
    assert (placed.x_mm, placed.y_mm) == pytest.approx((5.0, 4.0))


def test_an_outline_of_a_file() -> None:
    shape = shaped(outline={"polygon": [[1, 1], [19, 1], [19, 9], [1, 19]]})
    assert shape.kind == "board file" and shape.area_mm2 == pytest.approx(18 * 8 + 18 * 10 / 2)
    assert shaped(outline={"path": "M 19 10 A 9 9 0 0 1 1 10 A 9 9 0 0 1 19 10 Z"}).area_mm2 == pytest.approx(
        math.pi * 81.0, abs=0.03
    )


@given(st.lists(st.tuples(st.integers(0, 200), st.integers(0, 200)), min_size=3, max_size=9))
@settings(max_examples=60, deadline=None)
def test_random_polygons_are_boards_or_errors_as_shapely_says(points: list[tuple[int, int]]) -> None:
    points = [point for i, point in enumerate(points) if point != points[i - 1]]
    if len(set(points)) < 3:
        return
    scaled = [[x / 10, y / 10] for x, y in points]
    polygon = Polygon(scaled)
    if not polygon.is_valid or polygon.area <= 1e-4:
        with pytest.raises(BoardError, match=r"crosses or touches itself|has an area"):
            shaped(outline={"polygon": scaled})
        return
    shape = shaped(outline={"polygon": scaled})
    assert shape.area_mm2 == pytest.approx(polygon.area, rel=1e-9)
    assert abs(shape.board.sum() * PIXEL - polygon.area) <= polygon.length * PITCH_UM / 1000.0 + PIXEL


BOW = [[0, 0], [10, 10], [10, 0], [0, 10]]
ELL = [[0, 0], [20, 0], [20, 8], [9, 8], [9, 20], [0, 20]]


def test_an_inside_corner_is_a_finding_or_is_rounded() -> None:
    plain, mended = (shaped(outline={"polygon": ELL}, rounded=rounded) for rounded in (False, True))
    for shape in (plain, mended):
        (finding,) = shape.findings
        assert (finding.kind, finding.limit, finding.limit_mm) == ("inside corner", "routing.bit_mm", 2.0)
        assert (finding.x_mm, finding.y_mm) == pytest.approx((9.0, 8.0), abs=1e-6)
        assert finding.size_mm == pytest.approx(0.4142, abs=1e-3) and finding.area_mm2 == pytest.approx(
            0.2146, abs=1e-3
        )
        assert finding.mended == (shape is mended) and len(shape.warnings) == 1
    assert mended.area_mm2 - plain.area_mm2 == pytest.approx(0.2146, abs=1e-3)
    assert len(plain.outline[0]) == 6
    again = shaped(outline={"polygon": mended.outline[0].tolist()})
    assert again.findings == ()


def test_rounding_cut_outs_leaves_round_ones_as_they_are() -> None:
    shape = shaped(cut_outs=[{"polygon": [[2, 2], [8, 2], [8, 8], [2, 8]]}, {"circle": [14, 14, 4]}], rounded=True)
    assert sum(finding.mended for finding in shape.findings) == 4
    assert shape.area_mm2 == pytest.approx(400 - 36 + 4 * 0.2146 - math.pi * 4, abs=0.02)
    assert any(len(ring) < 300 and np.ptp(ring[:, 0]) == pytest.approx(4.0) for ring in shape.outline[1:])


@pytest.mark.parametrize(
    ("content", "kind", "size", "limit"),
    [
        ({"holes": [hole(5, 5, 0.25, True)]}, "small hole", 0.25, "holes.plated_mm"),
        ({"holes": [hole(5, 5, 0.4)]}, "small hole", 0.4, "holes.bare_mm"),
        ({"holes": [hole(5, 5, 0.8, to=[8, 5])]}, "narrow slot", 0.8, "holes.slot_mm"),
        ({"holes": [hole(1, 5)]}, "thin wall", 0.5, "holes.wall_mm"),
        ({"holes": [hole(5, 5), hole(6.75, 5)]}, "thin wall", 0.75, "holes.wall_mm"),
        ({"cut_outs": [{"circle": [5, 5, 3]}], "holes": [hole(7.5, 5)]}, "thin wall", 0.5, "holes.wall_mm"),
        ({"cut_outs": [{"polygon": [[5, 5], [9, 5], [9, 6.5], [5, 6.5]]}]}, "narrow cut-out", 1.5, "routing.bit_mm"),
    ],
)
def test_what_a_fab_can_not_make_is_a_finding(content: Any, kind: str, size: float, limit: str) -> None:
    shape = shaped(**content)
    (finding,) = shape.findings
    assert (finding.kind, finding.limit) == (kind, limit)
    assert finding.size_mm == pytest.approx(size, abs=2e-3) and finding.size_mm < finding.limit_mm
    assert finding.text in shape.warnings


def test_what_keeps_exactly_to_the_limits_is_no_finding() -> None:
    shape = shaped(
        holes=[hole(1.15, 5, 0.3, True), hole(5, 5, 0.5), hole(5, 10, 1.0, to=[8, 10]), hole(6.5, 5, 0.5)],
        cut_outs=[{"circle": [14, 5, 2]}],
    )
    assert shape.findings == ()


@pytest.mark.parametrize(
    ("choice", "content", "what"),
    [
        ("rectangle:11mm", {}, "board rectangle:11mm: the corner radius is more than half of 20 mm"),
        ("disc", {"outline": {"polygon": ELL}}, "The setting board is disc, and mine.json has an outline"),
        ("rectangle", {"outline": {"polygon": BOW}}, "outline: its line crosses or touches itself at 5, 5 mm"),
        ("rectangle", {"outline": {"polygon": [[0, 0], [25, 0], [0, 10]]}}, "it reaches 5 mm beyond the right edge"),
        ("rectangle", {"outline": {"polygon": [[0, -1], [5, 0], [0, 10]]}}, "1 mm beyond the lower edge"),
        ("rectangle", {"holes": [hole(0.2, 5)]}, "it lies off the board, or across its edge, at 0.20, 5.00 mm"),
        ("disc", {"holes": [hole(10, 10), hole(1, 1)]}, "holes[1]: it lies off the board"),
        ("rectangle", {"holes": [hole(5, 5), hole(5.5, 5)]}, "holes[1]: it meets holes[0]"),
        ("rectangle", {"cut_outs": [{"circle": [5, 5, 6]}], "holes": [hole(5, 5)]}, "holes[0]: it meets cut_outs[0]"),
        ("rectangle", {"cut_outs": [{"polygon": [[1, 1], [9, 9], [9, 1], [1, 9]]}]}, "cut_outs[0]: its line crosses"),
        ("path:#edge", {}, "the artwork is no SVG"),
        ("silhouette", {}, "opaque everywhere"),
    ],
)  # fmt: skip
def test_shapes_that_can_not_be_are_errors_that_name_the_entry(choice: str, content: Any, what: str) -> None:
    with pytest.raises(BoardError) as caught:
        shaped(choice, **content)
    assert what in caught.value.what
    assert caught.value.mend.endswith(".")


def test_a_path_of_the_artwork_with_a_window() -> None:
    file = svg('<path id="edge" fill-rule="evenodd" d="M10 10H90V90H10Z M30 30H60V70H30Z"/>')
    shape = shaped("path:#edge", svg_file=file)
    assert shape.kind == "path" and shape.area_mm2 == pytest.approx((80 * 80 - 30 * 40) / 25)
    with pytest.raises(BoardError, match="part 2 of #edge: it lies off the board"):
        shaped("path:#edge", svg_file=svg('<path id="edge" d="M10 10H60V90H10Z M70 30H90V70H70Z"/>'))


def test_a_silhouette_makes_the_grid_larger_and_holes_keep_their_place_on_the_artwork() -> None:
    y, x = (np.indices((400, 400)) + 0.5) * 0.05
    alpha = np.where(np.hypot(x - 10, y - 10) < 9.5, 255, 0).astype(np.uint8)
    given = read_settings({"board": "silhouette:2mm"})
    file = read_board_file(json.dumps({"holes": [hole(10, 4)]}).encode())
    picture, shape = shape_board(blank(alpha=alpha), given, FAB, board_file=file)
    margins = shape.margins
    assert {margins.left, margins.right, margins.top, margins.bottom} == {30}
    assert (picture.height_px, picture.width_px) == shape.board.shape == (460, 460)
    assert shape.area_mm2 == pytest.approx(math.pi * (11.5**2 - 0.25), rel=0.003)
    assert (shape.holes[0].x_mm, shape.holes[0].y_mm) == pytest.approx((11.5, 5.5))
    assert "larger than the artwork: 2" in shape.warnings[0]
    assert lay_on_board(blank(), mirrored(shape)).width_px == 460
    with pytest.raises(BoardError, match="the board's other side"):
        lay_on_board(blank(19.0), shape)


def test_mirrored_twice_is_the_same_and_once_is_the_mask_from_behind() -> None:
    shape = shaped(outline={"polygon": ELL}, holes=[hole(3, 5, 1.0, to=[6, 5])])
    behind = mirrored(shape)
    np.testing.assert_array_equal(behind.board, shape.board[:, ::-1])
    assert Polygon(behind.outline[0]).exterior.is_ccw
    assert behind.holes[0].x_mm == 17 and behind.holes[0].slot_to == (14, 5)
    assert behind.findings[0].x_mm == pytest.approx(11.0)
    np.testing.assert_allclose(mirrored(behind).outline[0], shape.outline[0], atol=1e-12)
