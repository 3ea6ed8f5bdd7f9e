"""Drill files of every form that the Gerber and XNC formats have for them; gerbonara writes one of them."""

from __future__ import annotations

import pytest

from tests.engine.circuit.circuits import at, gerber, small_circuit
from worker.engine.circuit.circuit import Circuit
from worker.engine.circuit.reading import read_circuit

MIXED = (
    "M48\n; #@! TF.FileFunction,MixedPlating,1,2\nFMAT,2\nMETRIC\n"
    "; #@! TA.AperFunction,Plated,PTH,ViaDrill\nT1C0.500\n; #@! TD\n"
    "; #@! TA.AperFunction,NonPlated,NPTH,ComponentDrill\nT2C0.500\nT3C1.200\n; #@! TD\n"
    "%\nG90\nG05\nT1\nX20.0Y24.0\nT2\nX12.0Y26.0\nT3\nX18.0Y26.5G85X19.5Y26.5\nM30\n"
)
"""Plated and unplated holes of one diameter, and an unplated slot. (XNC format, from memory.)"""


def holes(circuit: Circuit) -> dict[bool, list[tuple[float, ...]]]:
    """Place, diameter and end of a slot, of plated holes and of others."""
    out: dict[bool, list[tuple[float, ...]]] = {True: [], False: []}
    for drill in circuit.drills:
        for hole in drill.drill.holes:
            out[drill.plated].append((hole.x_mm, hole.y_mm, hole.diameter_mm, *(hole.slot_to or ())))
    return out


def test_one_file_may_hold_plated_and_unplated_holes() -> None:
    files = {**small_circuit(), "holes.xnc": MIXED.encode()}
    circuit = read_circuit(files, {})
    assert holes(circuit) == {True: [(20.0, 24.0, 0.5)], False: [(12.0, 26.0, 0.5), (18.0, 26.5, 1.2, 19.5, 26.5)]}
    assert circuit.files()["holes.xnc"] == MIXED.encode() and len(circuit.files()) == len(files)
    said = [(name, role.function) for name, role, _ in circuit.roles if name == "holes.xnc"]
    assert said == [("holes.xnc", "Plated,1,2,PTH"), ("holes.xnc", "NonPlated,1,2,NPTH")]


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_holes_may_be_drawn_as_a_gerber_file(unit: str) -> None:
    """Flashes are holes, strokes slots (Gerber Layer Format Specification, drill files in Gerber form, from memory)."""
    drawn = "%ADD10C,0.500*%\n%ADD11C,1.200*%\nD10*\n" + at(20.0, 24.0, 3)
    drawn += "D11*\nG01*\n" + at(18.0, 26.5, 2) + at(19.5, 26.5, 1)
    data = gerber("Plated,1,2,PTH", drawn)
    if unit == "in":
        from gerbonara.cam import FileSettings
        from gerbonara.rs274x import GerberFile
        from gerbonara.utils import Inch

        settings = FileSettings(unit=Inch, number_format=(2, 6))
        data = GerberFile.from_string(data.decode()).write_to_bytes(settings)
        assert b"MOIN" in data
    files = {name: text for name, text in small_circuit().items() if name != "holes.xnc"}
    circuit = read_circuit({**files, "drills.gbr": data}, {})
    found = holes(circuit)
    assert found[False] == [] and len(found[True]) == 2
    assert found[True][0] == pytest.approx((20.0, 24.0, 0.5), abs=2e-4)
    assert found[True][1] == pytest.approx((18.0, 26.5, 1.2, 19.5, 26.5), abs=2e-4)
    assert circuit.files()["drills.gbr"] == data
