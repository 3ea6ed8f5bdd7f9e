"""What art adds to a circuit's layers: never less than is there, and nothing that it may not add.

All combinations of what is there (3 layers), what is drawn (3 layers) and what may be drawn (4 bits), one pixel each.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.engine.circuit.circuits import small_circuit
from worker.circuit_file import CircuitFile, GivenCircuit
from worker.engine.circuit.art_layers import _asked, what_may_be_added
from worker.engine.circuit.beside import BesideCircuit, sides_beside
from worker.engine.circuit.keep_out import MAY_COPPER, MAY_LEGEND, MAY_METAL, MAY_OPENING
from worker.engine.fabrication.planes import BOARD, COPPER, FREE_COPPER, HATCHED, LEGEND, OPENING
from worker.engine.fabrication.planes import DRAWN as ALL_DRAWN
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import read_settings

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


@pytest.fixture(scope="module")
def fab() -> FabProfile:
    return read_fab_profile(Path("samples/fabs/meadow-tin.toml").read_bytes())


@pytest.fixture(scope="module")
def side(fab: FabProfile) -> BesideCircuit:
    given = GivenCircuit(name="small", files=small_circuit(), said=CircuitFile(net="GND"))
    return sides_beside(given, fab, read_settings({"pitch": "50um"}), ["top"])["top"]


def test_where_the_circuit_shows_what_is_wanted_nothing_is_asked_for_and_no_circuit_either(
    fab: FabProfile, side: BesideCircuit
) -> None:
    """The circuit's own faults once covered the art round them: what is to be repaired must hold none of it."""
    asked = _asked(np.array(side.given), side, fab, 50.0)
    assert (side.side.stack & ALL_DRAWN).any() and not (asked & np.uint8(ALL_DRAWN | FREE_COPPER | HATCHED)).any()
    assert ((asked & BOARD != 0) == ((side.side.stack & BOARD) != 0)).all()


def test_what_differs_from_the_circuit_is_asked_for_by_its_layers(fab: FabProfile, side: BesideCircuit) -> None:
    names = [finish.id for finish in fab.finishes]
    free = (side.may == 15) & (side.side.stack & np.uint8(ALL_DRAWN) == 0) & (side.given == names.index("mask"))
    assert free.any()
    for finish, bits in (
        ("tin", COPPER | OPENING),
        ("substrate", OPENING),
        ("mask-copper", COPPER),
        ("legend", LEGEND),
    ):
        labels = np.array(side.given)
        labels[free] = names.index(finish)
        asked = _asked(labels, side, fab, 50.0)
        assert (asked[free] & np.uint8(ALL_DRAWN) == bits).all()
        assert not (asked[~free] & np.uint8(ALL_DRAWN)).any()
        # under legend copper may be or not, but never where art may draw none, or where the circuit has it
        assert ((asked & FREE_COPPER) != 0)[free].all() == (finish == "legend")
        assert not ((asked & FREE_COPPER) != 0)[(side.may & MAY_COPPER) == 0].any()
