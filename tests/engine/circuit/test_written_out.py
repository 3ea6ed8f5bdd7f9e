"""What a file repeats, written out: compared with shapely polygons placed by hand, and with gerbv where it is there."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import shapely
from PIL import Image

from tests.engine.circuit.circuits import HEAD, area, at, box, gerber, small_circuit
from worker.engine.circuit.drawn_shapes import drawn_shapes
from worker.engine.circuit.reading import read_circuit
from worker.engine.circuit.written_out import written_out

PADS = "%ADD10R,1.0X0.5*%\n%ADD11C,0.4*%\n"
STEP = PADS + "%SRX3Y2I2.5J4.0*%\nD10*\n" + at(12, 22, 3) + area(box(11, 23, 12, 24)) + "%SR*%\nD11*\n" + at(20, 21, 3)
BLOCK = (
    PADS + "%ABD20*%\nD10*\nX0Y0D03*\nG75*\nG03*\nD11*\nX1000000Y0D02*\nX-1000000Y0I-1000000J0D01*\nG01*\n%AB*%\n"
    "D20*\n" + at(14, 22, 3) + "X18000000D03*\n" + "D10*\n" + at(11, 26, 3)
)


def covered(data: bytes, name: str = "one.gbr") -> shapely.Geometry:
    return shapely.union_all(drawn_shapes(written_out(data, name=name), name=name).polygons)


def same(one: shapely.Geometry, other: shapely.Geometry) -> None:
    assert shapely.area(shapely.symmetric_difference(one, other)) < 2e-3 * shapely.area(other)


def test_step_and_repeat_gives_every_copy() -> None:
    """Three columns 2.5 mm and two rows 4 mm apart; what comes after stands once."""
    expected = [shapely.Point(20, 21).buffer(0.2, quad_segs=32)]
    for column in range(3):
        for row in range(2):
            x, y = 2.5 * column, 4.0 * row
            expected.append(shapely.box(11.5 + x, 21.75 + y, 12.5 + x, 22.25 + y))
            expected.append(shapely.box(11 + x, 23 + y, 12 + x, 24 + y))
    same(covered(gerber("Copper,L1,Top", STEP)), shapely.union_all(expected))


def test_a_block_is_drawn_wherever_it_is_flashed() -> None:
    """A pad under a half ring, at two places, the second one with the y of the first; the pad alone after it."""
    half = shapely.Point(0, 0).buffer(1.2, quad_segs=64).difference(shapely.Point(0, 0).buffer(0.8, quad_segs=64))
    half = shapely.intersection(half, shapely.box(-2, 0, 2, 2))
    caps = [shapely.Point(x, 0).buffer(0.2, quad_segs=32) for x in (-1, 1)]
    one = shapely.union_all([half, *caps, shapely.box(-0.5, -0.25, 0.5, 0.25)])
    placed = [shapely.transform(one, lambda points, to=to: points + to) for to in ((14, 22), (18, 22))]
    same(covered(gerber("Copper,L1,Top", BLOCK)), shapely.union_all([*placed, shapely.box(10.5, 25.75, 11.5, 26.25)]))


def test_copies_begin_with_what_held_before_the_first_one() -> None:
    """Attributes and aperture: a pad of LED before a track of GND, twice."""
    tracks = "D11*\n%TO.N,GND*%\n" + at(12, 23, 2) + at(14, 23, 1)
    body = PADS + "%TO.N,LED*%\nD10*\n%SRX1Y2I0J3*%\n" + at(12, 22, 3) + tracks + "%SR*%\n"
    shapes = drawn_shapes(written_out(gerber("Copper,L1,Top", body), name="x"), name="x")
    by_net = {net: [i for i, of in enumerate(shapes.nets) if of == net] for net in ("LED", "GND")}
    for net, low in (("LED", 21.75), ("GND", 22.8)):
        lows = sorted(shapely.bounds(shapes.polygons[i])[1] for i in by_net[net])
        assert lows == pytest.approx([low, low + 3.0], abs=1e-6)


def test_trailing_zeros_that_are_left_out_are_read_with_the_rest() -> None:
    plain = f"{HEAD}{STEP}M02*\n"
    short = plain.replace("%FSLAX46Y46*%", "%FSTAX46Y46*%")

    def cut(found: re.Match[str]) -> str:
        return f"{found[1]}{int(found[2]):010d}".rstrip("0") if int(found[2]) else f"{found[1]}0"

    body = re.sub(r"(?<![RSA-Z])([XY])(\d{3,})", cut, short)
    assert body != short
    same(covered(body.encode()), covered(plain.encode()))


@pytest.mark.skipif(shutil.which("gerbv") is None, reason="needs gerbv: apt-get install gerbv")
def test_another_reader_sees_step_and_repeat_as_what_is_written_out(tmp_path: Path) -> None:
    pictures = []
    for name, data in (("as-given", gerber("", STEP)), ("out", written_out(gerber("", STEP), name="x"))):
        (tmp_path / f"{name}.gbr").write_bytes(data)
        command = ["gerbv", "-x", "png", "-D", "500", "-a", "-b", "#000000", "-f", "#ffffff", "-B", "0"]
        subprocess.run([*command, "-o", f"{name}.png", f"{name}.gbr"], cwd=tmp_path, check=True, capture_output=True)
        pictures.append(np.asarray(Image.open(tmp_path / f"{name}.png").convert("L")) > 127)
    assert pictures[0].shape == pictures[1].shape and 0.1 < pictures[0].mean() < 0.9
    assert (pictures[0] != pictures[1]).mean() < 1e-3


def test_a_circuit_may_repeat_parts_of_it() -> None:
    files = small_circuit()
    files["three.gbr"] = gerber("Legend,Top", "%ADD10C,0.15*%\nD10*\n%SRX2Y1I4.0J0*%\n" + at(13, 25, 3) + "%SR*%\n")
    legend = read_circuit(files, {}).layer("Legend", "top")
    assert legend is not None and legend.drawing is not None
    assert sorted(((legend.drawing.boxes[:, 0] + legend.drawing.boxes[:, 2]) / 2).tolist()) == pytest.approx([13, 17])
    assert legend.data == files["three.gbr"]
