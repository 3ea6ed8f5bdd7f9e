"""Art in a circuit's own file: the text that was there stays, and outside the art both files draw the same.

Both are drawn by gerbonara with resvg, and by gerbv, which we did not write. Coordinates of formats: Gerber Layer
Format Specification, FS command (X1500000 at 4.6 mm is 1.5 mm; FSLAX35Y35 X-2794000 is -27.94 mm, or -1.1 in: published
examples and arithmetic).
"""

from __future__ import annotations

import re
import warnings
from pathlib import Path

import numpy as np
import pytest
import shapely
from gerbonara.rs274x import GerberFile

from samples.render_circuit import circuit_files
from tests.engine.circuit.badge import badge_files
from tests.engine.fabrication.readers import drawn_by_gerbonara, drawn_by_gerbv, needs_gerbv
from worker.engine.circuit.art_polygons import plain_areas
from worker.engine.circuit.merging import ArtAreas, file_format, merged_gerber
from worker.errors import CircuitError

RING = shapely.Point(45e6, 52e6).buffer(8e6, quad_segs=6).difference(shapely.Point(45e6, 52e6).buffer(6e6, quad_segs=5))
ROUND_A_PAD = shapely.box(29e6, 55e6, 36e6, 59e6).difference(shapely.box(29.5e6, 55.5e6, 35.5e6, 58.5e6))
"""Round the pads and vias of D2, which lie in its hole."""
ART = np.array([RING, shapely.Point(45e6, 52e6).buffer(3e6, quad_segs=4), ROUND_A_PAD], object)
SIZE_PX, PITCH_UM = 1000, 75.0  # 75 x 75 mm from the origin
LAYERS = [f"badge-{kind}-{side}.gbr" for kind in ("copper", "solder-mask", "legend") for side in ("top", "bottom")]


def merged(data: bytes, *, function: str = "NonConductor", net: str = "") -> bytes:
    return merged_gerber(data, [ArtAreas(polygons=ART, function=function, net=net)], name="x.gbr", pixel_nm=20_000)


def pixels(geometry: shapely.Geometry) -> np.ndarray:
    """bool (H, W): which pixels' centres a shape holds, by shapely."""
    at = (np.arange(SIZE_PX) + 0.5) * PITCH_UM * 1000
    xs, ys = np.meshgrid(at, at[::-1])
    return shapely.contains_xy(geometry, xs, ys)


def near_edges(geometry: shapely.Geometry) -> np.ndarray:
    """Pixels at an edge of the art: two ways of drawing may differ there."""
    return pixels(geometry.boundary.buffer(1.5 * PITCH_UM * 1000))


INSIDE, EDGES = pixels(shapely.union_all(ART)), near_edges(shapely.union_all(ART))


def check_drawings(before: np.ndarray, after: np.ndarray) -> None:
    assert not ((before ^ after) & ~INSIDE & ~EDGES).any()  # XOR = 0
    assert after[INSIDE & ~EDGES].all()
    assert (INSIDE & ~EDGES & ~before).sum() > 50


@pytest.mark.parametrize(("name", "attributes"), [*((name, True) for name in LAYERS), (LAYERS[0], False)])
def test_outside_the_art_nothing_changes(name: str, attributes: bool) -> None:
    data = circuit_files(attributes=attributes)[name]
    after = merged(data)
    drawings = [drawn_by_gerbonara(file, SIZE_PX, SIZE_PX, PITCH_UM) for file in (data, after)]
    check_drawings(*drawings)


@needs_gerbv
@pytest.mark.parametrize("name", [LAYERS[0], LAYERS[3], LAYERS[4]])
def test_gerbv_sees_no_change_outside_the_art(name: str, tmp_path: Path) -> None:
    data = badge_files()[name]
    drawings = [drawn_by_gerbv(file, SIZE_PX, SIZE_PX, PITCH_UM, tmp_path) for file in (data, merged(data))]
    check_drawings(*drawings)


def test_the_text_stays_byte_for_byte() -> None:
    for name in LAYERS:
        data = badge_files()[name]
        after = merged(data)
        end = data.rindex(b"M02*")
        assert after.startswith(data[:end]) and after.endswith(data[end:]) and len(after) > len(data)
        assert merged_gerber(data, [], name=name, pixel_nm=20_000) == data


def test_art_has_attributes_where_the_file_has_them() -> None:
    """5.4 and 5.6: aperture attributes hold for regions; TD deletes them; the net's name for art that belongs to it."""
    data = badge_files()[LAYERS[0]]
    added = merged(data, function="Conductor", net="GND")[len(data) - 5 :]
    assert added.index(b"%TD*%") < added.index(b"%TA.AperFunction,Conductor*%") < added.index(b"%TO.N,GND*%")
    assert added.index(b"%TO.N,GND*%") < added.index(b"G36*") and added.rindex(b"%TD*%") > added.rindex(b"G37*")
    assert b"#@!" not in added
    plain = circuit_files(attributes=False)[LAYERS[0]]
    assert b"%T" not in merged(plain) and b"#@!" not in merged(plain)
    commented = plain.replace(b"%FSLA", b"G04 #@! TF.FileFunction,Copper,L1,Top*\n%FSLA")
    assert b"G04 #@! TD*\nG04 #@! TA.AperFunction,NonConductor*\nG36*" in merged(commented)
    assert b"%T" not in merged(commented)


def test_states_that_the_file_left_behind_do_not_reach_the_art() -> None:
    """Clear polarity, arcs in single quadrants, a mirrored, turned and scaled aperture."""
    left = b"%LPC*%\n%LMXY*%\n%LR45*%\n%LS2*%\nG74*\nG02*\nM02*"
    after = merged(badge_files()[LAYERS[0]].replace(b"M02*", left))
    added = after[after.index(b"Art begins") :]
    before_first = added[: added.index(b"G36*")]
    for rest in (b"%LPD*%", b"%LMN*%", b"%LR0*%", b"%LS1*%", b"G75*", b"G01*"):
        assert rest in before_first, rest
    quiet = merged(badge_files()[LAYERS[0]])
    assert not any(command in quiet for command in (b"%LM", b"%LR", b"%LS"))
    clear = badge_files()[LAYERS[0]].replace(b"M02*", b"%LPC*%\nG74*\nG02*\nM02*")
    drawings = [drawn_by_gerbonara(file, SIZE_PX, SIZE_PX, PITCH_UM) for file in (clear, merged(clear))]
    check_drawings(*drawings)


HEADS = {
    "mm 4.6": (b"%FSLAX46Y46*%\n%MOMM*%\n", 1.0),
    "mm 3.5": (b"%FSLAX35Y35*%\n%MOMM*%\n", 10.0),
    "inch 2.5": (b"%FSLAX25Y25*%\n%MOIN*%\n", 254.0),
    "inch 2.4, zeros left out behind": (b"%FSTAX24Y24*%\n%MOIN*%\n", 2540.0),
    "inch by G70": (b"%FSLAX26Y26*%\nG70*\n", 25.4),
}


@pytest.mark.parametrize(("head", "step_nm"), HEADS.values(), ids=HEADS)
def test_art_is_written_in_the_files_own_unit_and_format(head: bytes, step_nm: float) -> None:
    """Read back by gerbonara, every area is where it should be, to half a step of the format."""
    square = shapely.box(1_500_000, 12_000_000, 27_940_000, 25_400_000)
    data = b"G04 empty*\n" + head + b"%ADD10C,0.1*%\nM02*\n"
    assert file_format(data, name="x").step_nm == pytest.approx(step_nm)
    after = merged_gerber(data, [ArtAreas(polygons=np.array([square], object))], name="x", pixel_nm=20_000)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of G70, which is old
        file = GerberFile.from_string(after.decode())
    (region,) = file.objects
    (left, low), (right, high) = region.bounding_box("mm")
    found = np.array([left, low, right, high]) * 1e6
    assert np.abs(found - shapely.bounds(square)).max() <= step_nm / 2 + 1e-3


def test_published_coordinates() -> None:
    """1.5 mm at 4.6 is 1500000; 27.94 mm at 3.5 is 2794000, and 1.1 in at 2.5 is 110000."""
    square = np.array([shapely.box(1_500_000, 1_500_000, 27_940_000, 27_940_000)], object)
    wanted = {"mm 4.6": b"X1500000Y27940000", "mm 3.5": b"X2794000Y2794000", "inch 2.5": b"X110000Y110000"}
    for kind, text in wanted.items():
        data = HEADS[kind][0] + b"M02*\n"
        assert text in merged_gerber(data, [ArtAreas(polygons=square)], name="x", pixel_nm=20_000)
    trailing = merged_gerber(HEADS["inch 2.4, zeros left out behind"][0] + b"M02*\n", [ArtAreas(polygons=square)],
                             name="x", pixel_nm=20_000)  # fmt: skip
    assert b"X011000Y011000" in trailing


GOOD = b"%FSLAX46Y46*%\n%MOMM*%\n"
FAULTS = {
    "no format": (b"%MOMM*%\nM02*\n", "does not say in which format"),
    "no unit": (b"%FSLAX46Y46*%\nM02*\n", "does not say in which unit"),
    "relative": (b"%FSLIX46Y46*%\n%MOMM*%\nM02*\n", "relative coordinates"),
    "relative by G91": (GOOD + b"G91*\nM02*\n", "relative coordinates"),
    "two formats": (b"%FSLAX46Y45*%\n%MOMM*%\nM02*\n", "different formats"),
    "coarse": (b"%FSLAX23Y23*%\n%MOIN*%\nM02*\n", "too coarse for art of 20 um"),
    "no end": (GOOD + b"G04 M02 never comes*\n", "has no end"),
    "open region": (GOOD + b"G36*\nX0Y0D02*\nM02*\n", "ends within a region"),
    "open block": (GOOD + b"%ABD12*%\nM02*\n", "ends within a aperture block"),
    "open repetition": (GOOD + b"%SRX2Y1I5J0*%\nM02*\n", "ends within a step and repeat"),
    "too few digits": (b"%FSLAX16Y16*%\n%MOMM*%\nM02*\n", "has no digits for a point at"),
}


@pytest.mark.parametrize(("data", "match"), FAULTS.values(), ids=FAULTS)
def test_files_that_can_not_be_written_on_in_are_refused(data: bytes, match: str) -> None:
    with pytest.raises(CircuitError, match=match):
        merged(data)


def test_an_m02_in_a_comment_or_attribute_is_no_end() -> None:
    data = b"G04 M02*\n%TF.ProjectId,M02*%\n" + GOOD + b"%TF.Note, ends with M02*%\nM02*\n"
    after = merged(data)
    assert after.startswith(data[: -len(b"M02*\n")])


def test_areas_have_no_holes_are_simple_and_cover_the_art() -> None:
    """A sieve of 300 holes, islands among them: each area is a simple ring, and their union is the art."""
    rng = np.random.default_rng(5)
    sieve = shapely.box(0, 0, 20_000_000, 14_000_000)
    for x, y, size in zip(rng.integers(5, 195, 300), rng.integers(5, 135, 300), rng.integers(1, 9, 300), strict=True):
        hole = shapely.box(x * 1e5, y * 1e5, (x + size) * 1e5, (y + size) * 1e5)
        sieve = sieve.difference(hole) if size != 4 else sieve.union(hole)
    art = np.array(shapely.get_parts(sieve), object)
    areas = [shapely.Polygon(points) for points in plain_areas(art)]
    assert sum(len(shapely.get_rings(part)) for part in art) > 100
    assert all(area.is_valid and not area.interiors for area in areas)
    assert shapely.symmetric_difference(shapely.union_all(areas), sieve).area <= 1e-9 * sieve.area
    assert shapely.union_all(areas).area < sum(area.area for area in areas)  # they overlap, and leave no hairline


def test_no_command_of_the_art_clears_anything() -> None:
    data = badge_files()[LAYERS[0]]
    added = merged(data)[data.rindex(b"M02*") : -5].decode()
    known = r"G04[^%*]*\*|%T[AO]\.[^%*]+\*%|%TD\*%|%LPD\*%|G75\*|G01\*|G36\*|G37\*|X-?\d+Y-?\d+D0[12]\*|"
    assert all(re.fullmatch(known, line) for line in added.splitlines())
