"""What art adds to a circuit's layers: never less than is there, and nothing that it may not add.

All combinations of what is there (3 layers), what is drawn (3 layers) and what may be drawn (4 bits), one pixel each.
"""

from __future__ import annotations

import numpy as np

from worker.engine.circuit.art_layers import what_may_be_added
from worker.engine.circuit.keep_out import MAY_COPPER, MAY_LEGEND, MAY_METAL, MAY_OPENING
from worker.engine.fabrication.planes import BOARD, COPPER, HATCHED, LEGEND, OPENING

THERE, DRAWN, MAY = (each.ravel().astype(np.uint8) for each in np.meshgrid(np.arange(8), np.arange(8), np.arange(16)))


def added(*, fab_metal: bool = True) -> np.ndarray:
    made = (DRAWN | np.uint8(BOARD)).reshape(1, -1)
    return what_may_be_added(
        made, (THERE | np.uint8(BOARD)).reshape(1, -1), MAY.reshape(1, -1), fab_metal=fab_metal
    ).ravel()


def test_what_the_circuit_has_is_never_added_and_nothing_is_that_was_not_drawn() -> None:
    assert not (added() & THERE).any()
    assert not (added() & ~DRAWN).any()


def test_each_layer_needs_leave() -> None:
    for bit, needs in ((COPPER, MAY_COPPER), (OPENING, MAY_OPENING), (LEGEND, MAY_LEGEND)):
        assert not ((added() & bit) != 0)[(MAY & needs) == 0].any()
        free = (MAY == 15) & (DRAWN & bit != 0) & (THERE & bit == 0)
        assert ((added() & bit) != 0)[free].all()


def test_bare_metal_that_art_has_a_part_in_needs_leave_of_its_own() -> None:
    """Copper in an opening, be either of them the circuit's."""
    for metal in (True, False):
        found = added(fab_metal=metal)
        bare = ((found | THERE) & (COPPER | OPENING)) == (COPPER | OPENING)
        of_art = (found & (COPPER | OPENING)) != 0
        leave = ((MAY & MAY_METAL) != 0) & metal
        assert not (bare & of_art & ~leave).any()
    assert ((added() & COPPER) != 0)[(THERE == OPENING) & (DRAWN & COPPER != 0) & (MAY == 15)].all()


def test_a_hatch_goes_with_the_copper_that_is_added() -> None:
    stack = np.array([[COPPER | HATCHED, COPPER | HATCHED]], np.uint8)
    circuit = np.array([[0, COPPER]], np.uint8)
    found = what_may_be_added(stack, circuit, np.full((1, 2), 15, np.uint8), fab_metal=True)
    assert found.tolist() == [[COPPER | HATCHED, 0]]
