"""Nets: which copper of a circuit is connected, through touching copper and plated holes, and what it is called.

Names come from the file's own attributes (.N and .P of the Gerber standard), where it has them. Else a net is what the
user points at. Copper is connected where its polygons touch; what lies within `TOUCH_MM` counts as touching, since
polygons stand for curves.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.engine.circuit.circuit import Circuit, CircuitDrill
from worker.engine.circuit.drawn_shapes import SMALLEST_MM2, DrawnShapes, Polygons, drawn_shapes
from worker.engine.circuit.reading import with_attributes
from worker.engine.fabrication.gerber_reader import ReadHole
from worker.errors import CircuitError, ReturnedFileError
from worker.outlines import circle_points, slot_points

TOUCH_MM = 0.002
"""Far below what any fab can keep apart, and above what polygons leave out of curves."""

_PLACE = re.compile(r"\s*(-?\d+(?:\.\d*)?|-?\.\d+)\s*,\s*(-?\d+(?:\.\d*)?|-?\.\d+)\s*(top|bottom)?\s*")

_TOLD = 5
Numbers = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Net:
    """Copper that is connected.

    number : of the net in `Nets`. names : that its pieces have in the file, in order. pins : "PART.PIN", likewise.
    area_mm2 : of its copper, all layers together. place : a point on it, in mm. layers : of that, from 0 at the top.
    """

    number: int
    names: tuple[str, ...]
    pins: tuple[str, ...]
    area_mm2: float
    place: tuple[float, float]
    layers: tuple[int, ...]

    @property
    def text(self) -> str:
        """How messages call it."""
        x, y = self.place
        return " = ".join(self.names) or f"the unnamed copper at {x:.3f}, {y:.3f} mm"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nets:
    """The nets of a circuit, and the copper that they are.

    polygons : object (N,), shapely polygons in mm, of copper and of the walls of plated holes. layers : int64 (N,), the
    copper layer of each, from 0 at the top. of : int64 (N,), the net of each.
    """

    nets: tuple[Net, ...]
    polygons: Polygons
    layers: Numbers
    of: Numbers
    layer_count: int

    @property
    def shorted(self) -> tuple[Net, ...]:
        """Nets that have more than one name: what their names say is two nets, and the copper is one."""
        return tuple(net for net in self.nets if len(net.names) > 1)

    @property
    def split(self) -> dict[str, tuple[Net, ...]]:
        """Names that several nets have: what their names say is one net, and the copper is several."""
        by_name: dict[str, list[Net]] = {}
        for net in self.nets:
            for name in net.names:
                by_name.setdefault(name, []).append(net)
        return {name: tuple(nets) for name, nets in by_name.items() if len(nets) > 1}

    @property
    def warnings(self) -> tuple[str, ...]:
        """Where names and copper contradict each other."""
        said = []
        for net in self.shorted[:_TOLD]:
            x, y = net.place
            said.append(
                f"The circuit's nets {' and '.join(net.names)} are one piece of copper, at {x:.3f}, {y:.3f} mm: by its "
                "own files they are shorted."
            )
        for name, nets in list(self.split.items())[:_TOLD]:
            places = "; ".join(f"{net.place[0]:.3f}, {net.place[1]:.3f}" for net in nets[:_TOLD])
            said.append(
                f"The circuit's net {name} is {len(nets)} pieces of copper that nothing in its files connects, at "
                f"{places} mm."
            )
        return tuple(said)

    def on_layer(self, layer: int) -> Numbers:
        """Which polygons lie on a layer."""
        return np.flatnonzero(self.layers == layer)

    def outer(self, side: str) -> int:
        """The number of a side's copper layer."""
        return 0 if side == "top" else self.layer_count - 1


def read_nets(circuit: Circuit) -> Nets:
    """The nets of a circuit. CircuitError where a copper file can't be read."""
    bare = _polygons_of([hole for drill in circuit.drills if not drill.plated for hole in drill.drill.holes])
    shapes, layers = _copper(circuit, bare)
    count = len(circuit.copper_layers)
    walls, spans = _walls(circuit.drills, count)
    every = np.concatenate([shapes.polygons, walls])
    pairs = _touching(shapes.polygons, layers, walls, spans)
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(every), len(every)))
    _, of = connected_components(links, directed=False)
    of = _in_order(of.astype(np.int64))
    names = [*shapes.nets, *[""] * len(walls)]
    pins = [*shapes.pins, *[""] * len(walls)]
    is_copper = np.arange(len(every)) < len(shapes.polygons)
    nets = tuple(
        _net(number, np.flatnonzero(of == number), every, is_copper, layers, names, pins)
        for number in range(int(of.max(initial=-1)) + 1)
    )
    on = [(i, layer) for i, (first, past) in enumerate(spans) for layer in range(first, past)]
    wall_of = np.array([i for i, _ in on], np.int64)
    return Nets(
        nets=nets,
        polygons=np.concatenate([shapes.polygons, walls[wall_of]]),
        layers=np.concatenate([layers, np.array([layer for _, layer in on], np.int64)]),
        of=np.concatenate([of[: len(layers)], of[len(layers) :][wall_of]]),
        layer_count=count,
    )


def _in_order(of: Numbers) -> Numbers:
    """Groups numbered in the order in which they first occur."""
    _, first, inverse = np.unique(of, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return np.asarray(rank[inverse])


def _net(
    number: int,
    members: Numbers,
    every: Polygons,
    is_copper: npt.NDArray[np.bool_],
    layers: Numbers,
    names: Sequence[str],
    pins: Sequence[str],
) -> Net:
    copper = members[is_copper[members]]
    area = sum(
        float(shapely.area(shapely.union_all(every[copper[layers[copper] == layer]])))
        for layer in np.unique(layers[copper])
    )
    x, y = shapely.get_coordinates(shapely.point_on_surface(every[members[0]]))[0].tolist()
    return Net(
        number=number,
        names=tuple(dict.fromkeys(names[i] for i in members if names[i])),
        pins=tuple(dict.fromkeys(pins[i] for i in members if pins[i])),
        area_mm2=area,
        place=(x, y),
        layers=tuple(np.unique(layers[copper]).tolist()),
    )


def _copper(circuit: Circuit, bare: Polygons) -> tuple[DrawnShapes, Numbers]:
    """The copper of all layers without unplated holes, and the layer of each piece."""
    polygons, nets, pins, layers = [], [], [], []
    for number, layer in enumerate(circuit.copper_layers):
        try:
            shapes = drawn_shapes(with_attributes(layer.data, name=layer.name), name=layer.name)
        except ReturnedFileError as error:
            raise CircuitError(error.what, mend=error.mend) from error
        drilled, of = _drilled(shapes.polygons, bare)
        polygons.append(drilled)
        nets += [shapes.nets[i] for i in of]
        pins += [shapes.pins[i] for i in of]
        layers.append(np.full(len(drilled), number, np.int64))
    return DrawnShapes(polygons=np.concatenate(polygons), nets=tuple(nets), pins=tuple(pins)), np.concatenate(layers)


def _drilled(polygons: Polygons, holes: Polygons) -> tuple[Polygons, Numbers]:
    """Copper without the holes that go through it, and which piece each part was of."""
    if len(holes):
        cut = np.unique(shapely.STRtree(holes).query(polygons, predicate="intersects")[0])
        polygons = polygons.copy()
        polygons[cut] = shapely.difference(polygons[cut], shapely.union_all(holes))
    parts, of = shapely.get_parts(polygons, return_index=True)
    whole = (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & (shapely.area(parts) > SMALLEST_MM2)
    return parts[whole], of[whole]


def _polygons_of(holes: Sequence[ReadHole]) -> Polygons:
    out = np.empty(len(holes), object)
    for i, hole in enumerate(holes):
        at = (hole.x_mm, hole.y_mm)
        if hole.slot_to is None:
            out[i] = shapely.Polygon(circle_points(*at, hole.diameter_mm))
        else:
            out[i] = shapely.Polygon(slot_points(at, hole.slot_to, hole.diameter_mm))
    return out


def _walls(drills: Sequence[CircuitDrill], layer_count: int) -> tuple[Polygons, list[tuple[int, int]]]:
    """Plated holes, and from which layer to before which each one reaches."""
    walls, spans = [np.empty(0, object)], []
    for drill in drills:
        if drill.plated:
            walls.append(_polygons_of(drill.drill.holes))
            first, last = (int(word) for word in drill.role.function.split(",")[1:3])
            spans += [(min(first, last) - 1, min(max(first, last), layer_count))] * len(drill.drill.holes)
    return np.concatenate(walls), spans


def _touching(polygons: Polygons, layers: Numbers, walls: Polygons, spans: Sequence[tuple[int, int]]) -> Numbers:
    """int64 (P, 2): pairs that touch; walls are counted behind the polygons."""
    found = [np.empty((0, 2), np.int64)]
    first = np.array([span[0] for span in spans], np.int64)
    past = np.array([span[1] for span in spans], np.int64)
    for layer in np.unique(layers):
        mine = np.flatnonzero(layers == layer)
        through = np.flatnonzero((first <= layer) & (past > layer))
        here = np.concatenate([polygons[mine], walls[through]])
        numbers = np.concatenate([mine, len(polygons) + through])
        a, b = touching_pairs(here)
        found.append(np.stack([numbers[a], numbers[b]], axis=1))
    return np.concatenate(found)


def touching_pairs(polygons: Polygons) -> tuple[Numbers, Numbers]:
    """Each pair of polygons, once, that touch or lie within TOUCH_MM of each other."""
    if not len(polygons):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    a, b = near_pairs(polygons, polygons, TOUCH_MM)
    return a[a < b], b[a < b]


def near_pairs(some: Polygons, others: Polygons, distance_mm: float) -> tuple[Numbers, Numbers]:
    """Pairs of one of `some` and one of `others` that lie within a distance."""
    boxes = shapely.box(*(shapely.bounds(some) + np.array([-1, -1, 1, 1]) * distance_mm).T)
    a, b = shapely.STRtree(others).query(boxes)
    larger = shapely.get_num_coordinates(some)[a] >= shapely.get_num_coordinates(others)[b]
    first, second = np.where(larger, some[a], others[b]), np.where(larger, others[b], some[a])
    shapely.prepare(first)  # far faster for a ground area beside a thousand pads
    near = shapely.dwithin(first, second, distance_mm)
    return a[near], b[near]


def find_net(nets: Nets, wanted: str) -> Net:
    """The net that the user names: by its name, by a pin as "U1.3", or by a place on it as "12.5,30 top".

    Raises
    ------
    CircuitError
        There is none, or several: the message names those that there are.
    """
    place = _PLACE.fullmatch(wanted)
    if place is not None:
        return _net_at(nets, float(place[1]), float(place[2]), place[3], wanted)
    found = [net for net in nets.nets if wanted in net.names] or [net for net in nets.nets if wanted in net.pins]
    if len(found) == 1:
        return found[0]
    if found:
        places = "; ".join(f"{net.place[0]:.3f},{net.place[1]:.3f} {net.area_mm2:.3g} mm2" for net in found[:5])
        raise CircuitError(
            f"The net {wanted!r} is {len(found)} pieces of copper that nothing connects: {places}.",
            mend="Say which one by a place on it, such as 12.5,30 top; or connect them in the circuit.",
            setting="circuit_file",
        )
    known = list(dict.fromkeys(name for net in nets.nets for name in net.names))
    raise CircuitError(
        f"The circuit has no net {wanted!r}. "
        + (f"Its nets: {', '.join(known[:20])}." if known else "Its files name no nets."),
        mend="Name one of these, a pin such as U1.3, or a place on its copper in mm, such as 12.5,30 top.",
        setting="circuit_file",
    )


def _net_at(nets: Nets, x: float, y: float, side: str | None, wanted: str) -> Net:
    layers = [nets.outer(side)] if side else sorted({nets.outer("top"), nets.outer("bottom")})
    chosen = np.flatnonzero(np.isin(nets.layers, layers))
    hit = chosen[shapely.intersects_xy(nets.polygons[chosen], x, y)]
    found = np.unique(nets.of[hit])
    if len(found) == 1:
        return nets.nets[int(found[0])]
    if len(found):
        raise CircuitError(
            f"At {wanted!r} there is copper of {len(found)} nets, on the top and on the bottom.",
            mend=f"Say the side: {wanted.strip()} top.",
        )
    raise CircuitError(
        f"There is no copper at {wanted!r} (mm, in the circuit's own coordinates).", mend="Point at the net's copper."
    )
