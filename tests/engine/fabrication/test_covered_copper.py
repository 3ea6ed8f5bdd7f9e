"""No metal is bare where the voltage is hazardous: not as drawn, and not where the mask lands off. By SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from tests.boards import FABS, board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.packages import blobs
from worker.engine.fabrication.covered_copper import cover_copper
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes
from worker.engine.pipeline import Conversion, convert
from worker.job_settings import read_settings

COMET = (FABS.parent / "artworks" / "comet-over-ridge.jpg").read_bytes()
FAB = board("meadow-tin")
SHIFT_MM = FAB.limits["solder_mask", "registration_mm"].value


def bared(planes: LayerPlanes) -> int:
    """Pixels of copper that lie in an opening, or would if the mask landed off by the whole tolerance."""
    if not planes.plane(OPENING).any():
        return 0
    away_px = distance_transform_edt(~planes.plane(OPENING))
    return int((planes.plane(COPPER) & (away_px * planes.pitch_um / 1000.0 <= SHIFT_MM)).sum())


@pytest.mark.parametrize("seed", range(4))
def test_copper_keeps_the_tolerance_from_every_opening(seed: int) -> None:
    planes = LayerPlanes(stack=blobs(seed, 300, fineness=9.0), pitch_um=40.0)
    assert bared(planes) > 1000
    covered = cover_copper(planes, FAB)
    assert bared(covered) == 0
    assert not (covered.plane(COPPER) & ~planes.plane(COPPER)).any()
    others = np.uint8(OPENING | LEGEND | BOARD)
    assert ((covered.stack & others) == (planes.stack & others)).all()
    found = measure_limits(covered, FAB)
    assert not {key: n for key, n in found.counts.items() if n and key[0] == "copper"}
    assert covered.plane(COPPER).sum() > 0.2 * planes.plane(COPPER).sum()


def test_planes_without_openings_stay_as_they_are() -> None:
    planes = LayerPlanes(stack=blobs(1, 100) & np.uint8(255 - OPENING), pitch_um=40.0)
    assert cover_copper(planes, FAB) is planes


def made_at(tables: MemoryTables, **given: str) -> Conversion:
    settings = read_settings({"width": "30mm", "pitch": "40um", "fabrication": "on", **given})
    return convert(COMET, FAB, settings, name="comet", tables=tables, threads=2)


def test_a_board_at_mains_voltage_bares_no_metal(tables: MemoryTables) -> None:
    made = made_at(tables, voltage="230Vac")
    assert made.made is not None
    for planes in made.made.fabrication.planes.values():
        assert bared(planes) == 0
    assert not made.masks["tin"].any()
    assert any("Bare metal (tin) is left out" in said for said in made.report["warnings"])
    assert made.report["settings"]["forbid"] == []
    assert {"hazardous-voltage", "no-insulation"} <= {caution["id"] for caution in made.report["cautions"]}


@pytest.mark.parametrize("given", [{"voltage": "12Vdc"}, {"voltage": "230Vac", "bare_metal": "keep"}])
def test_at_a_harmless_voltage_or_when_asked_for_metal_stays(given: dict[str, str], tables: MemoryTables) -> None:
    made = made_at(tables, **given)
    assert made.made is not None
    assert made.masks["tin"].any()
    assert bared(made.made.fabrication.planes["top"]) > 0
    assert not any("left out" in said for said in made.report["warnings"])
