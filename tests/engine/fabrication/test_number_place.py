"""The place for the order number, against a search of every rectangle."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from worker.engine.fabrication.number_place import LEAST_MM, WANTED_MM, largest_rectangle, number_place
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_the_largest_rectangle_is_the_largest_of_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    height, width = (int(v) for v in rng.integers(1, 9, 2))
    free = rng.random((height, width)) < rng.uniform(0.3, 0.95)
    top, left, bottom, right = largest_rectangle(free)
    assert free[top:bottom, left:right].all()
    areas = [
        (b - t) * (r - le)
        for t in range(height)
        for b in range(t + 1, height + 1)
        for le in range(width)
        for r in range(le + 1, width + 1)
        if free[t:b, le:r].all()
    ]
    assert (bottom - top) * (right - left) == max(areas, default=0)


def board(width_mm: float = 30.0, height_mm: float = 20.0) -> np.ndarray:
    return np.full((round(height_mm * 20), round(width_mm * 20)), BOARD, np.uint8)


def planes(stack: np.ndarray) -> LayerPlanes:
    return LayerPlanes(stack=stack, pitch_um=50.0)


def test_the_back_comes_first_and_is_seen_through_the_board() -> None:
    back = board()
    back[:, :400] |= LEGEND  # the left 20 mm, as seen from below: x from 10 mm on, as seen from the top
    found = number_place({"top": planes(board()), "bottom": planes(back)}, "top")
    assert found is not None and found.side == "bottom"
    assert found.x_mm - found.width_mm / 2 >= 0.5 and found.x_mm + found.width_mm / 2 <= 10.0 - 0.5
    assert found.y_mm - found.height_mm / 2 >= 0.5


@pytest.mark.parametrize("bit", [LEGEND, OPENING, OPENING | COPPER])
def test_the_place_is_clear_of_the_picture(bit: int) -> None:
    art = board()
    art[100:300, 100:500] |= np.uint8(bit)
    found = number_place({"top": planes(art)}, "top")
    assert found is not None and not (found.width_mm > WANTED_MM[0] or found.height_mm > WANTED_MM[0])
    half_x, half_y = found.width_mm / 2 + 0.45, found.height_mm / 2 + 0.45
    rows = slice(round((20 - found.y_mm - half_y) * 20), round((20 - found.y_mm + half_y) * 20))
    columns = slice(round((found.x_mm - half_x) * 20), round((found.x_mm + half_x) * 20))
    assert (art[rows, columns] == BOARD).all()
    assert art[rows, columns].shape == (rows.stop - rows.start, columns.stop - columns.start)


def test_a_number_does_not_cross_the_edge_of_copper_under_the_mask() -> None:
    art = board(30.0, 4.0)
    art[:, ::40] |= COPPER
    assert number_place({"top": planes(art)}, "top") is None
    assert number_place({"top": planes(np.full((80, 600), BOARD | COPPER, np.uint8))}, "top") is not None


def test_a_tall_place_is_written_along_y() -> None:
    found = number_place({"top": planes(board(4.0, 30.0))}, "top")
    assert found is not None and found.upright
    assert (found.width_mm, found.height_mm) == WANTED_MM[::-1]


@pytest.mark.parametrize("size", [(LEAST_MM[0], LEAST_MM[1]), (0.1, 0.1), (5.0, 5.0)])
def test_where_there_is_no_room_there_is_no_place(size: tuple[float, float]) -> None:
    assert number_place({"top": planes(board(*size))}, "top") is None
