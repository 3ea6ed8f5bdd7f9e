"""Drill files: XNC (Ucamco), rules from memory, and read back by gerbonara and gerbv."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from gerbonara.excellon import ExcellonFile
from gerbonara.graphic_objects import Flash, Line
from PIL import Image

from tests.engine.fabrication.readers import needs_gerbv
from tests.engine.fabrication.test_gerber import PROJECT
from worker.engine.fabrication.drill import xnc_drill
from worker.errors import SettingsError


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A hole as a list of them gives it."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    plated: bool = False
    slot_to: tuple[float, float] | None = None


HOLES = [
    Hole(x_mm=5, y_mm=5.5, diameter_mm=3.2),
    Hole(x_mm=35, y_mm=25, diameter_mm=3.2),
    Hole(x_mm=20.000001, y_mm=10, diameter_mm=0.5),
    Hole(x_mm=10, y_mm=20, diameter_mm=1.0, slot_to=(14.0, 23.0)),
    Hole(x_mm=25.4, y_mm=12.7, diameter_mm=0.9, plated=True),
]


def bare() -> str:
    data = xnc_drill(HOLES, plated=False, project=PROJECT)
    assert data is not None
    return data.decode("ascii")


def test_rule_header_unit_tools_and_end() -> None:
    """M48, METRIC, tools from 1 with their diameter, %, then the body; M30 at the end."""
    lines = bare().splitlines()
    assert lines[0] == "M48" and lines[-1] == "M30"
    assert lines.index("METRIC") < lines.index("%")
    assert [line for line in lines if re.fullmatch(r"T\d\dC.*", line)] == ["T01C0.5", "T02C1.0", "T03C3.2"]
    assert all(lines.index(f"T{tool:02d}") > lines.index("%") for tool in (1, 2, 3))


def test_rule_coordinates_carry_a_decimal_point() -> None:
    """Without a point, digits would be read by a format that the file doesn't state."""
    places = re.findall(r"[XY](-?[\d.]+)", bare().split("%")[1])
    assert len(places) == 10 and all(re.fullmatch(r"\d+\.\d+", place) for place in places)
    assert "X20.000001Y10.0" in bare()


def test_rule_the_file_says_what_it_is_for() -> None:
    """Attributes of X2 in comments: `; #@! TF.FileFunction,...`."""
    assert "; #@! TF.FileFunction,NonPlated,1,2,NPTH" in bare()
    plated = xnc_drill(HOLES, plated=True, project=PROJECT)
    assert plated is not None and b"; #@! TF.FileFunction,Plated,1,2,PTH\n" in plated
    assert b"T01C0.9" in plated and b"X25.4Y12.7" in plated
    assert b"; #@! TF.CreationDate,2026-11-25T12:30:00+00:00" in plated


def test_rule_a_slot_is_routed_down_and_up() -> None:
    """G00 to its beginning, M15 down, G01 to its end, M16 up."""
    assert "T02\nG00X10.0Y20.0\nM15\nG01X14.0Y23.0\nM16\n" in bare()


def test_no_holes_no_file() -> None:
    assert xnc_drill(HOLES[:2], plated=True, project=PROJECT) is None
    with pytest.raises(SettingsError, match="is 0 mm wide"):
        xnc_drill([Hole(x_mm=1, y_mm=2, diameter_mm=0)], plated=False, project=PROJECT)


def test_gerbonara_reads_the_holes_and_the_slot() -> None:
    read = ExcellonFile.from_string(bare())
    drilled = sorted((float(o.x), float(o.y), float(o.tool.diameter)) for o in read.objects if isinstance(o, Flash))
    assert drilled == [(5.0, 5.5, 3.2), (20.000001, 10.0, 0.5), (35.0, 25.0, 3.2)]
    (slot,) = [o for o in read.objects if isinstance(o, Line)]
    assert (slot.x1, slot.y1, slot.x2, slot.y2, slot.tool.diameter) == (10.0, 20.0, 14.0, 23.0, 1.0)


@needs_gerbv
def test_gerbv_draws_the_round_holes(tmp_path: Path) -> None:
    """Areas of the three holes within 2 %, and their middles, at 20 um a pixel (gerbv knows no routed slots)."""
    source, out = tmp_path / "holes.drl", tmp_path / "holes.png"
    source.write_text(xnc_drill(HOLES[:3], plated=False, project=PROJECT).decode())  # type: ignore[union-attr]
    command = ["gerbv", "-x", "png", "-D1270", "-B0", "-O0x0", "-W1.6x1.2", "-a", "-b#000000", "-f#FFFFFFFF"]
    subprocess.run([*command, "-o", str(out), str(source)], check=True, capture_output=True)
    picture = np.asarray(Image.open(out).convert("L")) > 127
    for hole in HOLES[:3]:
        row, column = len(picture) - hole.y_mm / 0.02, hole.x_mm / 0.02
        rows, columns = np.ogrid[: picture.shape[0], : picture.shape[1]]
        near = np.hypot(rows + 0.5 - row, columns + 0.5 - column) < hole.diameter_mm / 0.02
        assert (picture & near).sum() * 0.02**2 == pytest.approx(np.pi * hole.diameter_mm**2 / 4, rel=0.02)
