"""Art around what is given: cells that a dither leaves out."""

from __future__ import annotations

import numpy as np

from worker.engine.arrays import OUTSIDE
from worker.engine.palette.finish_colours import colours_from_lab
from worker.engine.separation.around import cells_left_out
from worker.engine.separation.cells import gather_cells
from worker.engine.separation.places import Places


def test_a_cell_on_a_given_edge_is_the_arts_where_one_finish_suits_all_of_it() -> None:
    """Four cells: one decided, one that may take a white that is wanted, one whose white isn't, one with no way."""
    colours = colours_from_lab(("dark", "copper", "white"), np.array([[20.0, 0, 0], [40, 0, 0], [95, 0, 0]]))
    given = np.zeros((10, 40), np.uint8)
    given[:5] = 1  # every cell lies on the edge of copper
    given[:, 30:] = OUTSIDE
    allowed = np.where(given == 1, 0b110, 0b101).astype(np.uint32)
    allowed[:, :10] = np.where(given[:, :10] == 1, 0b010, 0b001)
    allowed[given == OUTSIDE] = 0xFFFFFFFF
    srgb = np.full((10, 40, 3), 255, np.uint8)
    srgb[:, 20:30] = 60
    cells = gather_cells(srgb, 10, decided=None, wanted=None, allowed=allowed)
    found = cells_left_out(cells, Places(allowed=allowed, given=given), given, 10, colours, [0, 1, 2])
    assert found.tolist() == [[True, False, True, False]]


def test_no_seam_of_another_finish_runs_along_what_is_given() -> None:
    """A strip three cells wide where the white that is wanted may not stand; on broad ground grey stands for it."""
    colours = colours_from_lab(("dark", "grey", "white"), np.array([[20.0, 0, 0], [70, 0, 0], [95, 0, 0]]))
    given = np.zeros((400, 400), np.uint8)
    allowed = np.full((400, 400), 0b111, np.uint32)
    allowed[200:230] = 0b011
    allowed[:, 250:] = 0b011
    srgb = np.full((400, 400, 3), 255, np.uint8)
    cells = gather_cells(srgb, 10, decided=None, wanted=None, allowed=allowed)
    found = cells_left_out(cells, Places(allowed=allowed, given=given), given, 10, colours, [0, 1, 2])
    assert found[20:23, :25].all() and found.sum() == 3 * 25
    # what is wanted there is what may stand there: nothing is left out
    grey = gather_cells(np.full((400, 400, 3), 170, np.uint8), 10, decided=None, wanted=None, allowed=allowed)
    assert not cells_left_out(grey, Places(allowed=allowed, given=given), given, 10, colours, [0, 1, 2]).any()
