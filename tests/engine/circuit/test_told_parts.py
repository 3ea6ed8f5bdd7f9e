"""What a circuit's files tell of parts that call for cautions, by hand-written files and by the sample."""

from __future__ import annotations

import pytest

from tests.engine.circuit.badge import badge
from tests.engine.circuit.circuits import COPPER, gerber, small_circuit
from worker.engine.circuit.beside import carrying_circuit
from worker.engine.circuit.reading import read_circuit
from worker.engine.circuit.told_parts import told_parts
from worker.job_settings import read_settings


@pytest.mark.parametrize(
    ("attribute", "kind"),
    [
        ("TO.C,BT1", "battery"),
        ("TO.P,BAT2,1", "battery"),
        ("TO.P,LED3,1", "led"),
        ("TO.CVal,CR2032", "coin-cell"),
        ("TO.CVal,LED red", "led"),
        ("TO.CVal,22k", None),
        ("TO.C,BTN1", None),
        ("TO.CVal,CR0402X", None),
        ("TO.N,CRLED", None),
    ],
)
def test_designators_values_and_nets_tell(attribute: str, kind: str | None) -> None:
    body = COPPER.replace("%TO.N,LED*%", "%TO.N,OUT*%")
    files = {**small_circuit(), "one.gbr": gerber("Copper,L1,Top", f"%{attribute}*%\n%TD*%\n{body}")}
    told = told_parts(read_circuit(files, {}))
    assert list(told) == ([] if kind is None else [kind])
    assert kind is None or told[kind].startswith("one.gbr has a ")


def test_a_battery_of_no_known_kind_may_be_a_coin_cell_unless_the_user_says_so() -> None:
    """The sample's cell is BT1, and its nets are LED1 and LED2."""
    circuit = badge()
    assert set(told_parts(circuit)) == {"battery", "led"}
    assert set(carrying_circuit(read_settings({}), circuit).includes) == {"circuit", "battery", "led", "coin-cell"}
    said = carrying_circuit(read_settings({"includes": "battery"}), circuit)
    assert said.includes == ("battery", "circuit", "led")
