"""What art may draw beside a circuit, against distances between polygons that shapely measures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import shapely

from tests.engine.circuit.circuits import small_circuit
from worker.circuit_file import CircuitFile, Place
from worker.engine.circuit.beside import BesideCircuit, beside_circuit
from worker.engine.circuit.circuit import Circuit
from worker.engine.circuit.keep_out import MAY_COPPER, MAY_LEGEND, MAY_METAL, MAY_OPENING
from worker.engine.circuit.nets import find_net, read_nets
from worker.engine.circuit.reading import read_circuit
from worker.fab_profile import FabProfile, read_fab_profile

PITCH_UM = 50.0
# The small circuit's shapes, as its text has them, in mm.
PAD = shapely.box(11.5, 21.6, 12.5, 22.4)
TRACK = shapely.LineString([(12, 22), (15, 22)]).buffer(0.125)
GROUND = shapely.box(17, 21, 21, 25)
MARK = shapely.Point(13, 26).buffer(0.5)
OPENINGS = shapely.union_all([shapely.box(11.45, 21.55, 12.55, 22.45), shapely.Point(13, 26).buffer(1.0)])
LEGEND = shapely.LineString([(11.5, 23), (13, 23)]).buffer(0.075)
HOLE = shapely.Point(20, 24).buffer(0.25)
BOARD = shapely.box(10, 20, 22, 28)


@pytest.fixture(scope="module")
def fab() -> FabProfile:
    return read_fab_profile(Path("samples/fabs/meadow-tin.toml").read_bytes())


@pytest.fixture(scope="module")
def circuit() -> Circuit:
    return read_circuit(small_circuit(), {})


def laid(circuit: Circuit, fab: FabProfile, side: str = "top", **said: object) -> BesideCircuit:
    """A side of the small circuit with what is said of it."""
    nets = read_nets(circuit)
    file = replace(CircuitFile(), **said)  # type: ignore[arg-type]
    net = None if file.net is None else find_net(nets, file.net)
    name = "top" if side == "top" else "bottom"
    return beside_circuit(circuit, file, name, fab, nets, net, pitch_um=PITCH_UM)  # type: ignore[arg-type]


def pixels(where: npt.NDArray[np.bool_]) -> npt.NDArray[np.object_]:
    """Each pixel as a square in the circuit's coordinates."""
    rows, columns = np.nonzero(where)
    mm = PITCH_UM / 1000.0
    left, high = 10.0 + columns * mm, 20.0 + (where.shape[0] - rows) * mm
    return np.asarray(shapely.box(left, high - mm, left + mm, high))


def nearest(beside: BesideCircuit, bit: int, shape: shapely.Geometry) -> float:
    """How near pixels come that may have a layer, in mm."""
    return float(shapely.distance(pixels((beside.may & bit) != 0), shape).min())


def test_copper_of_art_keeps_the_gap_from_every_net(circuit: Circuit, fab: FabProfile) -> None:
    """No nearer than the profile says, pixel corners and all; nor much farther where nothing else is in the way."""
    beside = laid(circuit, fab, pads_mm=0.0)
    gap = fab.limits["copper", "gap_mm"].value_mm
    for shape in (PAD, TRACK, GROUND, MARK):
        near = nearest(beside, MAY_COPPER, shape)
        assert near >= gap - 1e-9
    beyond = pixels((beside.may & MAY_COPPER) != 0)
    assert shapely.distance(beyond, TRACK).min() < gap + 3 * PITCH_UM / 1000.0
    assert shapely.distance(beyond, GROUND).min() < gap + 3 * PITCH_UM / 1000.0


@pytest.mark.parametrize(
    ("bit", "shape", "keys"),
    [
        (MAY_METAL, TRACK, (("copper", "metal_gap_mm"),)),
        (MAY_OPENING, TRACK, (("solder_mask", "registration_mm"), ("solder_mask", "web_mm"))),
        (MAY_LEGEND, OPENINGS, (("legend", "clearance_mm"),)),
        (MAY_OPENING, LEGEND, (("legend", "clearance_mm"),)),
        (MAY_COPPER, HOLE, (("copper", "ring_mm"),)),
        (MAY_LEGEND, HOLE, (("edge", "legend_mm"),)),
        (MAY_COPPER, BOARD.exterior, (("edge", "routed_mm"),)),
        (MAY_OPENING, BOARD.exterior, (("edge", "mask_mm"),)),
        (MAY_LEGEND, BOARD.exterior, (("edge", "legend_mm"),)),
    ],
)
def test_every_layer_keeps_its_distance(
    circuit: Circuit, fab: FabProfile, bit: int, shape: shapely.Geometry, keys: tuple[tuple[str, str], ...]
) -> None:
    near = nearest(laid(circuit, fab, pads_mm=0.0, legend_mm=0.0), bit, shape)
    assert near >= sum(fab.limits[key].value_mm for key in keys) - 1e-9


def test_the_net_that_is_named_may_be_touched_and_no_other(circuit: Circuit, fab: FabProfile) -> None:
    beside = laid(circuit, fab, net="GND", pads_mm=0.0)
    may = (beside.may & MAY_COPPER) != 0
    assert shapely.distance(pixels(may), GROUND).min() == 0.0
    assert shapely.distance(pixels(may), TRACK).min() >= fab.limits["copper", "gap_mm"].value_mm
    inner = GROUND.buffer(-0.5).difference(HOLE.buffer(0.5))
    assert (shapely.contains(inner, pixels(may)).sum()) * (PITCH_UM / 1000.0) ** 2 == pytest.approx(
        inner.area, rel=0.03
    )


def test_what_is_soldered_keeps_room_even_on_the_net_that_is_named(circuit: Circuit, fab: FabProfile) -> None:
    beside = laid(circuit, fab, net="LED", pads_mm=0.5)
    for bit in (MAY_COPPER, MAY_OPENING):
        near = nearest(beside, bit, PAD)
        assert near >= 0.5 - 1e-9


def test_a_fiducial_mark_has_a_clear_zone(circuit: Circuit, fab: FabProfile) -> None:
    """Its clear radius is one diameter beyond the dot: 1.0 mm dot, 3.0 mm zone (SMEMA 3.1, second-hand)."""
    beside = laid(circuit, fab)
    assert [tuple(round(value, 6) for value in mark) for mark in beside.side.fiducials] == [(3.0, 6.0, 1.0)]
    zone = shapely.Point(13, 26).buffer(1.45)
    assert not shapely.intersects(pixels(beside.may != 0), zone).any()


@pytest.mark.parametrize(("kind", "left"), [("keep-out", 0), ("high-voltage", 0), ("antenna", MAY_LEGEND)])
def test_art_keeps_out_of_places_that_are_drawn(circuit: Circuit, fab: FabProfile, kind: str, left: int) -> None:
    area = shapely.box(14, 23, 16, 24)
    place = Place(kind=kind, sides=("bottom",), points=tuple(area.exterior.coords[:-1]), entry="places[0]")  # type: ignore[arg-type]
    top, bottom = (laid(circuit, fab, side, places=(place,)) for side in ("top", "bottom"))
    mirrored = bottom.may[:, ::-1]
    assert not shapely.intersects(pixels((mirrored & ~np.uint8(left)) != 0), area).any()
    assert shapely.intersects(pixels((mirrored & left) != 0), area).any() == bool(left)
    assert shapely.intersects(pixels((top.may & MAY_COPPER) != 0), area).any()


def test_the_bottom_is_seen_from_behind(circuit: Circuit, fab: FabProfile) -> None:
    """The hole at x = 20 lies 10 mm from the left edge, seen from the top, and 2 mm, seen from behind."""
    for side, x in (("top", 10.0), ("bottom", 2.0)):
        beside = laid(circuit, fab, side)
        row, column = round(4.0 * 20), int(x * 20)
        assert not beside.shape.board[row, column]
        assert beside.shape.board[row, column + 20]
