"""Lines of a dither that a circuit cuts: cells are counted with scipy, what is in the way is by construction."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import label

from worker.engine.arrays import Labels, Srgb
from worker.engine.palette.finish_colours import colours_from_lab
from worker.engine.separation.cells import FREE
from worker.engine.separation.diffusion_tables import diffusion_tables
from worker.engine.separation.lines_around import lines_around
from worker.engine.separation.strokes import find_strokes
from worker.finish import LayerRecipe

CELL_PX = 8
COLOURS = colours_from_lab(("dark", "white", "light"), np.array([[15.0, 0, 0], [95, 0, 0], [80, 0, 0]]))
RECIPE = LayerRecipe(copper="none", mask_opening=False, legend=False)
ALL = np.uint32(0b111)


def art(width: int = 10) -> Srgb:
    """A white line through 40 x 60 cells of dark, from left to right."""
    srgb = np.full((40 * CELL_PX, 60 * CELL_PX, 3), 38, np.uint8)
    srgb[20 * CELL_PX : 20 * CELL_PX + width, 5 * CELL_PX : 55 * CELL_PX] = 240
    return srgb


def around(may: np.ndarray, width: int = 10) -> tuple[Labels, np.ndarray]:  # type: ignore[type-arg]
    strokes = find_strokes(art(width), CELL_PX)
    assert strokes is not None and len(strokes.lab) == 1
    errors = np.array([[np.inf, 0.0, 5.0]])  # white, and light where that is not to be had
    free, decided = np.full((40, 60), ALL, np.uint32), np.full((40, 60), FREE, np.uint8)
    square = diffusion_tables(COLOURS, (RECIPE,) * 3).square
    return lines_around(strokes, errors, CELL_PX, decided, may, free, square)


def test_with_nothing_in_the_way_a_line_is_as_ever() -> None:
    lines, stays = around(np.full((40, 60), ALL, np.uint32))
    assert not stays.any() and label(lines == 1)[1] == 1 and (lines == 1).any(axis=0)[6:54].all()


@pytest.mark.parametrize(("columns", "goes_on"), [(20, True), (6, False)])
def test_a_line_goes_on_in_another_finish_where_a_good_part_of_it_does(columns: int, goes_on: bool) -> None:
    may = np.full((40, 60), ALL, np.uint32)
    may[:, 25 : 25 + columns] = 0b101  # dark and light
    lines, stays = around(may)
    there = np.s_[:, 25 : 25 + columns]
    assert (lines[there] == 2).any() == goes_on and stays[there].any() != goes_on
    assert not (lines[there] == 1).any() and label(lines == 1)[1] == 2
    assert label(lines != FREE, np.ones((3, 3)))[1] == (1 if goes_on else 2)


def test_scraps_between_two_things_stay_as_given() -> None:
    may = np.full((40, 60), ALL, np.uint32)
    may[:, 25:28] = may[:, 30:33] = 0  # two cells are left between them
    lines, stays = around(may)
    assert (lines[:, 25:33] == FREE).all() and stays[:, 28:30].any()
    assert label(lines == 1)[1] == 2


def test_half_of_a_lines_width_stays_as_given() -> None:
    may = np.full((40, 60), ALL, np.uint32)
    lines, _ = around(may, width=18)
    rows = np.flatnonzero((lines == 1).sum(axis=1) > 40)
    assert len(rows) == 2
    may[rows[0], 20:40] = 0  # as a pad beside it
    cut, stays = around(may, width=18)
    assert (cut[rows[1], 22:38] == FREE).all() and stays[rows[1], 22:38].all()
    assert (cut[rows[1], 6:18] == 1).all() and (cut[rows[1], 42:54] == 1).all()
