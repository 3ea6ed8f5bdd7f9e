"""How far bare art metal stays from a circuit at a hazardous voltage.

Rows of IPC-2221 table 6-1, column B2, from adapted tables (second-hand up to 170 V, and 250 V; 300 V and 500 V from
memory). IEC 60664-1 at 250 V, pollution degree 2, FR-4: 2.5 mm basic, 5.0 mm reinforced (from memory).
"""

from __future__ import annotations

import pytest

from worker.engine.circuit.creepage import creepage_for
from worker.errors import SettingsError


@pytest.mark.parametrize(
    ("volts", "mm"),
    [(15, 0.1), (16, 0.1), (30, 0.1), (31, 0.6), (50, 0.6), (100, 0.6), (150, 0.6), (151, 1.25), (170, 1.25),
     (250, 1.25), (300, 1.25), (301, 2.5), (500, 2.5), (600, 3.0), (1000, 5.0)],
)  # fmt: skip
def test_ipc_2221_outer_bare_conductors(volts: float, mm: float) -> None:
    assert creepage_for(volts, "dc").ipc_mm == mm


def test_ac_counts_by_its_peak_in_one_table_and_by_its_rms_in_the_other() -> None:
    """230 V rms is 325 V peak. Where the kind is not stated, AC counts."""
    mains = creepage_for(230.0, "ac")
    assert (mains.ipc_mm, mains.iec_mm, mains.mm) == (2.5, 5.0, 5.0)
    assert creepage_for(230.0, "unknown") == mains
    assert creepage_for(230.0, "dc").ipc_mm == 1.25


def test_iec_60664_1_reinforced() -> None:
    assert creepage_for(250.0, "ac").iec_mm == 5.0
    assert creepage_for(250.1, "ac").iec_mm > 5.0


def test_a_higher_voltage_never_gives_a_smaller_distance() -> None:
    found = [creepage_for(float(volts), "ac").mm for volts in range(1, 1001)]
    assert found == sorted(found)


def test_above_the_tables_an_engineer_decides() -> None:
    with pytest.raises(SettingsError, match="tables end at 1000 V"):
        creepage_for(1001.0, "dc")


def test_the_sources_are_named_and_memory_is_owned() -> None:
    text = creepage_for(400.0, "ac").text
    assert "IPC-2221 table 6-1" in text and "IEC 60664-1" in text and "from memory" in text
