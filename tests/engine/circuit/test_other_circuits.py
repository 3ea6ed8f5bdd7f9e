"""Whole flows with circuits as people have them: in inches, of four layers, plain, and left of the origin.

The small circuit is written in each way; gerbonara and resvg draw it before and after.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely

from tests.engine.circuit.circuits import area, box, gerber, small_circuit
from tests.engine.circuit.test_merged_board import FAB, PITCH_UM, SIZE_PX, art
from tests.engine.circuit.test_reading import without_attributes, zipped
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.readers import drawn_by_gerbonara
from worker.circuit_archive import unpacked_circuit
from worker.circuit_file import CircuitFile, GivenCircuit, read_roles
from worker.engine.circuit.beside import sides_beside
from worker.engine.circuit.drawn_shapes import drawn_shapes
from worker.engine.pipeline import convert
from worker.job_settings import read_settings

NUMBER = re.compile(r"(?<=[XYIJ])-?\d+")
SIZES = re.compile(r"(?<=%ADD10|%ADD11|%ADD12)([CR]),([0-9.X]+)\*%")


def in_inches(files: dict[str, bytes]) -> dict[str, bytes]:
    """The same in format 2.6 of inches, and the holes in inches."""

    def inches(text: str) -> str:
        head, *lines = text.replace("%FSLAX46Y46*%", "%FSLAX26Y26*%").replace("%MOMM*%", "%MOIN*%").split("\n")
        body = [
            line if line.startswith("%") else NUMBER.sub(lambda found: f"{round(int(found[0]) / 25.4)}", line)
            for line in lines
        ]
        return SIZES.sub(
            lambda found: f"{found[1]},{'X'.join(f'{float(size) / 25.4:.8f}' for size in found[2].split('X'))}*%",
            "\n".join([head, *body]),
        )

    out = {name: inches(data.decode()).encode() for name, data in files.items() if name != "holes.xnc"}
    holes = files["holes.xnc"].decode().replace("METRIC", "INCH").replace("C0.500", f"C{0.5 / 25.4:.6f}")
    out["holes.xnc"] = holes.replace("X20.0Y24.0", f"X{20 / 25.4:.6f}Y{24 / 25.4:.6f}").encode()
    return out


def of_four_layers(files: dict[str, bytes]) -> dict[str, bytes]:
    """Two more copper layers, of which the plated hole joins the second to the ground."""
    out = {name: data.replace(b"Copper,L2,Bot", b"Copper,L4,Bot") for name, data in files.items()}
    out["holes.xnc"] = out["holes.xnc"].replace(b"Plated,1,2,PTH", b"Plated,1,4,PTH")
    out["inner-a.gbr"] = gerber("Copper,L2,Inr", "%TO.N,GND*%\n" + area(box(15, 22, 21, 26)))
    out["inner-b.gbr"] = gerber("Copper,L3,Inr", "%TO.N,VCC*%\n" + area(box(11, 22, 16, 26)))
    return out


def elsewhere(files: dict[str, bytes]) -> dict[str, bytes]:
    """Left of and below the origin, off any grid of pixels."""
    by = (-37.123457, -41.654321)

    def move(found: re.Match[str]) -> str:
        return str(int(found[0]) + round(by[found.string[found.start() - 1] == "Y"] * 1e6))

    def moved(text: str) -> str:
        return "\n".join(line if line.startswith("%") else NUMBER.sub(move, line) for line in text.split("\n"))

    out = {name: moved(data.decode()).encode() for name, data in files.items() if name != "holes.xnc"}
    out["holes.xnc"] = files["holes.xnc"].replace(b"X20.0Y24.0", f"X{20 + by[0]:.6f}Y{24 + by[1]:.6f}".encode())
    return out


PLACE = re.compile(r"(?m)^X(-?\d+)Y(-?\d+)")


def turned(files: dict[str, bytes]) -> dict[str, bytes]:
    """Turned by 17 degrees, so that no edge of the board is upright; pads and their openings stay so."""
    turn, by = np.exp(1j * np.radians(17.0)), 5.0 - 10.0j

    def move(found: re.Match[str]) -> str:
        there = complex(int(found[1]), int(found[2])) * turn + by * 1e6
        return f"X{round(there.real)}Y{round(there.imag)}"

    out = {name: PLACE.sub(move, data.decode()).encode() for name, data in files.items() if name != "holes.xnc"}
    hole = (20.0 + 24.0j) * turn + by
    out["holes.xnc"] = files["holes.xnc"].replace(b"X20.0Y24.0", f"X{hole.real:.6f}Y{hole.imag:.6f}".encode())
    return out


NAMES = {
    "one.gbr": "a.001",
    "two.gbr": "a.002",
    "three.gbr": "a.003",
    "four.gbr": "a.004",
    "five.gbr": "a.005",
    "edge.gbr": "a.006",
    "holes.xnc": "a.007",
}
FUNCTIONS = ("Copper,L1,Top", "Soldermask,Top", "Legend,Top", "Copper,L2,Bot", "Soldermask,Bot", "Profile,NP")


def plain(files: dict[str, bytes]) -> dict[str, bytes]:
    """Without any attribute, from an archive, under names that tell nothing."""
    bare = without_attributes(files)
    text = {name: re.sub(rb"%T[AOD][^%]*%\n?", b"", data) for name, data in bare.items()}
    return unpacked_circuit(zipped({NAMES[name]: data for name, data in text.items()}), name="board.zip")


WAYS: dict[str, tuple[Callable[[dict[str, bytes]], dict[str, bytes]], str, dict[str, str]]] = {
    "inches": (in_inches, "GND", {}),
    "four layers": (of_four_layers, "GND", {}),
    "elsewhere": (elsewhere, "GND", {}),
    "turned": (turned, "GND", {}),
    "plain": (plain, "18,22 top", dict(zip(NAMES.values(), (*FUNCTIONS, "Plated,1,2,PTH"), strict=True))),
}


@pytest.mark.parametrize("way", WAYS)
def test_art_goes_in_and_nothing_else_changes(way: str, tables: MemoryTables) -> None:
    change, net, said = WAYS[way]
    files = change(small_circuit())
    settings = read_settings({"pitch": "50um", "clusters": "none", "edges": "threshold", "fabrication": "on"})
    roles = read_roles([f"{name}={function}" for name, function in said.items()])
    given = GivenCircuit(name=way, files=files, said=replace(CircuitFile(), net=net, roles=roles))
    beside = sides_beside(given, FAB, settings, ["top"])["top"]
    package = dict(convert(art(), FAB, settings, name="art.png", beside=beside, tables=tables).files())
    changed = set()
    for name, data in files.items():
        now = package[f"fabrication/merged/{name}"]
        if now == data:
            continue
        changed.add(next((before for before, after in NAMES.items() if after == name), name))
        end = data.rindex(b"M02*")
        assert now.startswith(data[:end]) and now.endswith(data[end:])
        before, after = (shapely.union_all(drawn_shapes(each, name=name).polygons) for each in (data, now))
        own = next((before for before, after in NAMES.items() if after == name), name)
        kind = {"one.gbr": "copper", "two.gbr": "solder-mask", "three.gbr": "legend"}[own]
        alone = package[f"fabrication/art-only/{kind}-top.gbr"]
        apart = shapely.union_all(drawn_shapes(alone, name=name).polygons)
        assert shapely.difference(before, after).area < 1e-4  # nothing is cleared
        assert shapely.difference(after, shapely.union(before, apart.buffer(0.001))).area < 1e-4
        assert apart.area > 1.0
        if way != "elsewhere":  # what is drawn there has no pixels from the origin on
            pixels = [drawn_by_gerbonara(each, SIZE_PX[1], SIZE_PX[0], PITCH_UM) for each in (data, now, alone)]
            assert not ((pixels[0] ^ pixels[1]) & ~pixels[2]).any() and np.count_nonzero(pixels[2]) > 100
    assert changed == {"one.gbr", "two.gbr", "three.gbr"}
