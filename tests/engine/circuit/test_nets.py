"""Nets against an independent union of polygons (shapely): of the sample's layout, and of circuits made at random.

The circuits are written by gerbonara; what should be connected is worked out from the shapes that were written, never
from the files. Attributes .N and .P: Gerber Layer Format Specification, 5.6 (from memory).
"""

from __future__ import annotations

import re
from itertools import chain

import numpy as np
import pytest
import shapely
from gerbonara.apertures import CircleAperture
from gerbonara.graphic_objects import Flash, Line, Region
from gerbonara.rs274x import GerberFile
from gerbonara.utils import MM
from hypothesis import example, given, settings
from hypothesis import strategies as st

from samples.drawing import circuit_badge as layout
from samples.render_circuit import circuit_files
from tests.engine.circuit.badge import badge, badge_files, copper_of
from worker.circuit_file import Role
from worker.engine.circuit.nets import Nets, find_net, read_nets
from worker.engine.circuit.reading import read_circuit
from worker.errors import CircuitError

NETS = ("GND", "VCC", "OUT", "OSC", "LED1", "LED2")
PLAIN = {
    "badge-copper-top.gbr": "Copper,L1,Top",
    "badge-copper-bottom.gbr": "Copper,L2,Bot",
    "badge-solder-mask-top.gbr": "Soldermask,Top",
    "badge-solder-mask-bottom.gbr": "Soldermask,Bot",
    "badge-legend-top.gbr": "Legend,Top",
    "badge-legend-bottom.gbr": "Legend,Bot",
    "badge-profile.gbr": "Profile,NP",
    "badge-holes-plated.xnc": "Plated,1,2,PTH",
    "badge-holes-unplated.xnc": "NonPlated,1,2,NPTH",
}
PROFILE = (
    b"%TF.FileFunction,Profile,NP*%\n%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.1*%\nD10*\nG01*\nX0Y0D02*\nX20000000Y0D01*\n"
    b"X20000000Y20000000D01*\nX0Y20000000D01*\nX0Y0D01*\nM02*\n"
)


def test_the_sample_has_the_nets_of_its_layout() -> None:
    """Names, pins and areas; a pin that is connected to nothing, and the fiducial marks, are copper without a name."""
    nets = read_nets(badge())
    assert not nets.shorted and not nets.split
    named = {net.names[0]: net for net in nets.nets if net.names}
    assert set(named) == set(NETS)
    for name, net in named.items():
        assert set(net.pins) == {f"{pad.part}.{pad.pin}" for pad in layout.PADS if pad.net == name and pad.part}
        area = sum(copper_of(side, name).area for side in ("top", "bottom"))
        assert net.area_mm2 == pytest.approx(area, rel=2e-3)
    others = [net for net in nets.nets if not net.names]
    assert len(others) == 1 + len(layout.FIDUCIALS)
    assert [net.pins for net in others if net.pins] == [("U1.1",)]


def test_without_attributes_the_copper_is_the_same_and_the_user_points_at_it() -> None:
    roles = {name: Role(function=function) for name, function in PLAIN.items()}
    plain, told = read_nets(read_circuit(circuit_files(attributes=False), roles)), read_nets(badge())
    assert (plain.of == told.of).all() and not any(net.names or net.pins for net in plain.nets)
    x, y = find_net(told, "GND").place
    assert find_net(plain, f"{x},{y} top").number == find_net(told, "GND").number
    with pytest.raises(CircuitError, match=r"has no net 'GND'\. Its files name no nets"):
        find_net(plain, "GND")
    with pytest.raises(CircuitError, match="no copper at"):
        find_net(plain, "30, 55 top")


def test_a_net_is_found_by_name_pin_and_place() -> None:
    nets = read_nets(badge())
    ground = find_net(nets, "GND")
    assert find_net(nets, "U1.3") == find_net(nets, "BT1.2") == find_net(nets, "45,50 bottom") == ground
    assert find_net(nets, "45,50") == ground  # the top has no copper there
    with pytest.raises(CircuitError, match="2 nets, on the top and on the bottom"):
        find_net(nets, "46.1,40")  # a pad above, the ground area below
    with pytest.raises(CircuitError, match="Its nets: GND, OSC, OUT, VCC, LED1, LED2"):
        find_net(nets, "gnd")


def _with_copper(text: str) -> Nets:
    """The sample with more copper on its top."""
    files = badge_files()
    files["badge-copper-top.gbr"] = files["badge-copper-top.gbr"].replace(b"M02*", text.encode() + b"M02*")
    return read_nets(read_circuit(files, {}))


def test_two_names_on_one_piece_of_copper_are_told() -> None:
    """A stroke from the diode's pad to the cell's tab."""
    nets = _with_copper("%TO.N,LED1*%\nD10*\nX55900000Y57000000D02*\nX56500000Y50000000D01*\n%TD*%\n")
    (shorted,) = nets.shorted
    assert set(shorted.names) == {"VCC", "LED1"}
    assert find_net(nets, "LED1") == find_net(nets, "VCC")
    (said,) = nets.warnings
    assert "LED1" in said and "VCC" in said and "shorted" in said


def test_one_name_on_two_pieces_of_copper_is_told() -> None:
    nets = _with_copper("%TO.N,OSC*%\nD10*\nX45000000Y55000000D02*\nX46000000Y55000000D01*\n%TD*%\n")
    assert set(nets.split) == {"OSC"} and len(nets.split["OSC"]) == 2
    assert "The circuit's net OSC is 2 pieces of copper" in nets.warnings[0]
    with pytest.raises(CircuitError, match="'OSC' is 2 pieces of copper that nothing connects"):
        find_net(nets, "OSC")


def test_an_unplated_hole_parts_what_it_goes_through() -> None:
    """A stroke right through a mounting hole of 3.2 mm: two ends that nothing connects."""
    nets = _with_copper("%TO.N,BAR*%\nD10*\nX22000000Y66000000D02*\nX28000000Y66000000D01*\n%TD*%\n")
    ends = nets.split["BAR"]
    assert [net.area_mm2 for net in ends] == [pytest.approx(1.4 * 0.25, abs=0.03)] * 2


Shape = tuple[str, tuple[float, ...], bool, int]


def _written(shapes: list[Shape]) -> bytes:
    objects: list[object] = []
    for kind, numbers, dark, _ in shapes:
        if kind == "disc":
            x, y, size = numbers
            objects.append(Flash(x, y, CircleAperture(size, unit=MM), unit=MM, polarity_dark=dark))
        elif kind == "track":
            x1, y1, x2, y2, size = numbers
            objects.append(Line(x1, y1, x2, y2, CircleAperture(size, unit=MM), unit=MM, polarity_dark=dark))
        else:
            left, low, width, height = numbers
            ring = [(left, low), (left + width, low), (left + width, low + height), (left, low + height), (left, low)]
            objects.append(Region(ring, unit=MM, polarity_dark=dark))
    return GerberFile(objects=objects).write_to_bytes()


def _geometry(shape: Shape) -> shapely.Geometry:
    kind, numbers, _, _ = shape
    if kind == "disc":
        return shapely.Point(numbers[:2]).buffer(numbers[2] / 2, quad_segs=64)
    if kind == "track":
        return shapely.LineString([numbers[:2], numbers[2:4]]).buffer(numbers[4] / 2, quad_segs=64)
    left, low, width, height = numbers
    return shapely.box(left, low, left + width, low + height)


def _random_shapes(rng: np.random.Generator) -> list[Shape]:
    shapes: list[Shape] = []
    for _ in range(int(rng.integers(8, 30))):
        x, y = (round(float(value), 2) for value in rng.uniform(2, 18, 2))
        dark, side = bool(rng.random() < 0.8), int(rng.integers(2))
        kind = ("disc", "track", "area")[int(rng.integers(3))]
        size = round(float(rng.uniform(0.2, 1.5)), 2)
        if kind == "disc":
            shapes.append((kind, (x, y, size), dark, side))
        elif kind == "track":
            to = [round(float(value), 2) for value in rng.uniform(2, 18, 2)]
            shapes.append((kind, (x, y, *to, 0.25), dark, side))
        else:
            shapes.append((kind, (x, y, 2 * size, size), dark, side))
    return shapes


def _holes(rng: np.random.Generator) -> list[tuple[float, float]]:
    return [tuple(round(float(value), 2) for value in rng.uniform(2, 18, 2)) for _ in range(4)]  # type: ignore[misc]


def _painted(shapes: list[Shape]) -> shapely.Geometry:
    area: shapely.Geometry = shapely.Polygon()
    for shape in shapes:
        area = area.union(_geometry(shape)) if shape[2] else area.difference(_geometry(shape))
    return area


Part = tuple[int, shapely.Geometry]


def _joined(sides: list[shapely.Geometry], holes: list[tuple[float, float]]) -> list[list[Part]]:
    """The parts of both sides' unions, those that one hole touches made one net; holes that cut each other are one."""
    nets = [[(side, part)] for side, area in enumerate(sides) for part in shapely.get_parts(area) if part.area > 1e-6]
    drilled = shapely.union_all([shapely.Point(hole).buffer(0.25, quad_segs=64) for hole in holes])
    for wall in shapely.get_parts(drilled):
        touched = [net for net in nets if any(part.intersects(wall) for _, part in net)]
        nets = [net for net in nets if net not in touched] + ([list(chain(*touched))] if touched else [])
    return nets


def _least_gap(nets: list[list[Part]]) -> float:
    gaps = [part.distance(other) for i, net in enumerate(nets) for side, part in net
            for more in nets[:i] for there, other in more if side == there]  # fmt: skip
    return min(gaps, default=1.0)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
@example(169)  # two of its holes cut into each other, and each touches another side's copper
def test_random_circuits_have_the_nets_of_a_union_of_their_shapes(seed: int) -> None:
    """Tracks, discs and areas on two sides, some painted clear, and plated holes. As many nets, of the same areas."""
    rng = np.random.default_rng(seed)
    shapes, holes = _random_shapes(rng), _holes(rng)
    sides = [[shape for shape in shapes if shape[3] == side] for side in (0, 1)]
    drill = "M48\n; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC\nT01C0.5\n%\nG05\nT01\n"
    drill += "".join(f"X{x:.3f}Y{y:.3f}\n" for x, y in holes) + "M30\n"
    files = {
        "a.gbr": b"%TF.FileFunction,Copper,L1,Top*%\n" + _written(sides[0]),
        "b.gbr": b"%TF.FileFunction,Copper,L2,Bot*%\n" + _written(sides[1]),
        "c.gbr": PROFILE,
        "d.xnc": drill.encode(),
    }
    files = {name: re.sub(rb"\*\*\n", b"*\n", data).replace(b"G75\n", b"G75*\n") for name, data in files.items()}
    found = read_nets(read_circuit(files, {}))
    wanted = _joined([_painted(side) for side in sides], holes)
    areas = sorted(sum(part.area for _, part in net) for net in wanted)
    mine = sorted(net.area_mm2 for net in found.nets if net.layers)
    if len(mine) != len(areas):  # nearer than polygons can tell, or smaller
        assert _least_gap(wanted) < 0.005 or areas[0] < 1e-3
    else:
        assert mine == pytest.approx(areas, rel=5e-3, abs=2e-3)
