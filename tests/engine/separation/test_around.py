"""Art around what is given: strokes that it cuts, seams beside it, and cells that a dither leaves out."""

from __future__ import annotations

import numpy as np

from worker.engine.arrays import OUTSIDE
from worker.engine.palette.finish_colours import colours_from_lab
from worker.engine.separation.around import cells_left_out, without_scraps
from worker.engine.separation.cells import gather_cells
from worker.engine.separation.places import Places

FEATURES_MM = [0.1, 0.1, 0.1]
PITCH_UM = 20.0
"""So a feature is five pixels wide."""


def test_a_stroke_goes_on_up_to_what_is_given_and_no_sliver_of_it_is_left() -> None:
    """By construction: a bar of finish 1, of which what is given leaves 20 rows on one side and 2 on the other."""
    given = np.zeros((60, 60), np.uint8)
    wished = np.ones((60, 60), np.uint8)
    labels = wished.copy()
    labels[20:58] = 0
    out = without_scraps(labels, wished, given, FEATURES_MM, pitch_um=PITCH_UM)
    assert (out[:20] == 1).all() and (out[20:] == 0).all()
    # a line as thin as that, with nothing in its way, is the artwork's own: the fab's limits judge it later
    alone = np.zeros((60, 60), np.uint8)
    alone[30:32] = 1
    assert (without_scraps(alone, alone, given, FEATURES_MM, pitch_um=PITCH_UM) == alone).all()


def test_no_thin_seam_of_a_third_finish_runs_along_what_is_given() -> None:
    given = np.zeros((120, 120), np.uint8)
    wished = np.ones((120, 120), np.uint8)
    seam = wished.copy()
    seam[60:70] = 2  # nearest to finish 1, which may not stand there
    seam[70:] = 0
    out = without_scraps(seam, wished, given, FEATURES_MM, pitch_um=PITCH_UM)
    assert (out[:60] == 1).all() and (out[60:] == 0).all()
    wide = seam.copy()
    wide[60:110] = 2
    assert (without_scraps(wide, wished, given, FEATURES_MM, pitch_um=PITCH_UM)[65:105] == 2).all()


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
