"""A whole package of a circuit with art: what is in it, that the circuit stays, and that other readers see the same.

Readers that we did not write: gerbonara with resvg, gerbv, ezdxf. What the art is, is known from the masks of what will
be seen.
"""

from __future__ import annotations

import io
import json
import re
import zipfile
from dataclasses import replace
from pathlib import Path

import ezdxf
import jsonschema
import numpy as np
import pytest
import shapely
from gerbonara.rs274x import GerberFile
from PIL import Image

from samples.drawing import circuit_badge as layout
from tests.engine.circuit.badge import badge_files, moved
from tests.engine.circuit.circuits import small_circuit
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.readers import drawn_by_gerbonara, drawn_by_gerbv, needs_gerbv
from worker.circuit_file import CircuitFile, GivenCircuit
from worker.engine.circuit.beside import sides_beside
from worker.engine.circuit.merge_proof import prove_merged
from worker.engine.circuit.merged_board import merge_board
from worker.engine.pipeline import Conversion, convert
from worker.engine.report.report import report_schema
from worker.engine.two_sides import convert_two_sides
from worker.errors import CircuitError, ProofError
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings

PITCH_UM = 50.0
SIZE_PX = (600, 500)  # 30 x 25 mm from the origin of the circuit's coordinates
FILES = small_circuit()
FAB = read_fab_profile(Path("samples/fabs/meadow-tin.toml").read_bytes())
FULL = {"Copper,L1,Top": "one.gbr", "Soldermask,Top": "two.gbr", "Legend,Top": "three.gbr"}
KINDS = {"copper-top": "one.gbr", "solder-mask-top": "two.gbr", "legend-top": "three.gbr"}


def art() -> bytes:
    """Broad stripes in the colours of the profile's finishes."""
    y, x = np.mgrid[:160, :240]
    pixels = np.full((160, 240, 3), (20, 60, 45), np.uint8)
    for i, colour in enumerate(((185, 167, 127), (238, 240, 232), (200, 205, 210), (25, 110, 70))):
        pixels[(x // 24 + y // 60) % 5 == i] = colour
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return out.getvalue()


def given(**said: object) -> GivenCircuit:
    files = {name: data for name, data in FILES.items() if said.get("net") or name != "three.gbr"}
    return GivenCircuit(name="small", files=files, said=replace(CircuitFile(), **said))  # type: ignore[arg-type]


def made(tables: MemoryTables, **said: object) -> Conversion:
    settings = read_settings({"pitch": "50um", "clusters": "none", "edges": "threshold", "fabrication": "on"})
    beside = sides_beside(given(**said), FAB, settings, ["top"])["top"]
    return convert(art(), FAB, settings, name="art.png", beside=beside, tables=tables)


@pytest.fixture(scope="module")
def conversion(tables: MemoryTables) -> Conversion:
    return made(tables, net="GND")


@pytest.fixture(scope="module")
def package(conversion: Conversion) -> dict[str, bytes]:
    """By the path in fabrication/."""
    files = dict(conversion.files())
    report = json.loads(files["report.json"])
    jsonschema.validate(report, report_schema())
    inside = {path.removeprefix("fabrication/"): data for path, data in files.items()}
    return {path: data for path, data in inside.items() if path != "tuning.npz"}


def board_of(conversion: Conversion):  # type: ignore[no-untyped-def]
    circuit = conversion.made.circuit
    return merge_board(circuit.art, circuit.beside, FAB, conversion.made.project, threads=1)


def test_the_circuits_own_bytes_are_all_there(package: dict[str, bytes]) -> None:
    for name, data in FILES.items():
        now = package[f"merged/{name}"]
        if name in KINDS.values():
            end = data.rindex(b"M02*")
            assert now.startswith(data[:end]) and now.endswith(b"M02*\n") and len(now) > len(data)
        else:
            assert now == data


@pytest.mark.parametrize(("kind", "name"), KINDS.items())
def test_outside_the_art_xor_is_zero_and_the_art_alone_is_the_difference(
    package: dict[str, bytes], kind: str, name: str
) -> None:
    before, after, alone = (
        drawn_by_gerbonara(data, SIZE_PX[1], SIZE_PX[0], PITCH_UM)
        for data in (FILES[name], package[f"merged/{name}"], package[f"art-only/{kind}.gbr"])
    )
    assert alone.any() and (after == (before | alone)).all()
    assert not ((before ^ after) & ~alone).any()


@needs_gerbv
@pytest.mark.parametrize(("kind", "name"), KINDS.items())
def test_gerbv_sees_the_same(package: dict[str, bytes], kind: str, name: str, tmp_path: Path) -> None:
    before, after, alone = (
        drawn_by_gerbv(data, SIZE_PX[1], SIZE_PX[0], PITCH_UM, tmp_path)
        for data in (FILES[name], package[f"merged/{name}"], package[f"art-only/{kind}.gbr"])
    )
    assert (after == (before | alone)).all()


def test_art_copper_touches_ground_alone(package: dict[str, bytes], conversion: Conversion) -> None:
    """By shapely, on the areas that gerbonara reads in the art's own file: pad and track of LED, area of GND."""
    regions = GerberFile.from_string(package["art-only/copper-top.gbr"].decode()).objects
    copper = shapely.union_all([shapely.Polygon(region.outline) for region in regions])
    led = shapely.union_all(
        [shapely.box(11.5, 21.6, 12.5, 22.4), shapely.LineString([(12, 22), (15, 22)]).buffer(0.125)]
    )
    ground, hole = shapely.box(17, 21, 21, 25), shapely.Point(20, 24).buffer(0.25)
    gap = FAB.limits["copper", "gap_mm"].value_mm
    assert copper.distance(led) >= gap and copper.area > 1.0
    tied = [part for part in shapely.get_parts(copper) if part.intersects(ground)]
    report = json.loads(package["report.json"])["fabrication"]["circuit"]
    assert len(report["tied"]) == len(tied) > 0 and report["net"] == "GND"
    assert all(part.intersection(ground).area > 0 for part in tied)  # no hairline between the two
    assert report["floating_mm2"] == pytest.approx(
        sum(part.area for part in shapely.get_parts(copper) if not part.intersects(ground)), abs=1e-6
    )
    assert report["nearest"]["gap_mm"] >= gap - 0.002
    # of copper the art's is counted alone: the bottom is one area of the circuit's
    top, bottom = json.loads(package["report.json"])["fabrication"]["copper"]["sides"]
    assert (top["parts"], bottom["parts"]) == (len(shapely.get_parts(copper)), 0)
    assert top["islands_mm2"] == pytest.approx(report["floating_mm2"])
    assert top["area_mm2"] == pytest.approx(copper.area, rel=1e-6)
    assert copper.distance(hole) >= 0.0


def test_tied_art_is_a_conductor_of_its_net_and_floating_art_is_none(package: dict[str, bytes]) -> None:
    added = package["merged/one.gbr"][len(FILES["one.gbr"]) - 5 :].decode()
    assert "%TA.AperFunction,Conductor*%\n%TO.N,GND*%\nG36*" in added
    assert "%TA.AperFunction,NonConductor*%\nG36*" in added


def test_svg_and_dxf_lie_in_the_circuits_own_coordinates(package: dict[str, bytes]) -> None:
    """The same areas as in the Gerber file, to a nanometre; in SVG y runs down from the circuit's zero."""
    regions = GerberFile.from_string(package["art-only/copper-top.gbr"].decode()).objects
    wanted = shapely.union_all([shapely.Polygon(region.outline) for region in regions])
    drawing = ezdxf.read(io.StringIO(package["art-only/art.dxf"].decode()))
    rings = [
        shapely.Polygon([vertex.dxf.location.vec2 for vertex in line.vertices])
        for line in drawing.modelspace().query('POLYLINE[layer=="COPPER-TOP"]')
    ]
    found = shapely.Polygon()
    for ring in sorted(rings, key=lambda ring: -ring.area):
        found = found.symmetric_difference(ring)
    assert found.symmetric_difference(wanted).area < 1e-3 * wanted.area
    assert np.abs(np.subtract(found.bounds, wanted.bounds)).max() < 1e-6
    svg = package["art-only/art.svg"].decode()
    assert 'viewBox="10 -28 12 8"' in svg and '<g transform="translate(10 -28)">' in svg


def test_the_fab_gets_the_merged_files_and_not_the_art_alone(package: dict[str, bytes]) -> None:
    archive = zipfile.ZipFile(io.BytesIO(package["art-fabrication.zip"]))
    names = set(archive.namelist())
    assert {f"merged/{name}" for name in FILES} <= names and not any(name.startswith("art-only") for name in names)
    sheet = archive.read("READ ME FIRST.txt").decode()
    assert "working circuit" in sheet and "belong to no net" in sheet and "joined to GND" in sheet
    assert "merged/one.gbr" in sheet and "the circuit's own, with the art at its" in sheet
    assert "unchanged [Profile,NP]" in re.sub(r"\s+", " ", sheet)


def test_the_place_for_the_fabs_number_is_told_in_the_circuits_coordinates(package: dict[str, bytes]) -> None:
    place = json.loads(package["report.json"])["fabrication"]["number_place"]
    assert 10 < place["x_mm"] < 22 and 20 < place["y_mm"] < 28
    sheet = re.sub(r"\s+", " ", package["READ ME FIRST.txt"].decode())
    assert f"centred at x {place['x_mm']:.2f} mm" in sheet and "from the circuit's own origin" in sheet


def test_a_job_file_lists_every_layer(package: dict[str, bytes]) -> None:
    job = json.loads(package["merged/board.gbrjob"])
    listed = {row["Path"]: row["FileFunction"] for row in job["FilesAttributes"]}
    assert listed == {**{name: function for function, name in FULL.items()}, "four.gbr": "Copper,L2,Bot",
                      "five.gbr": "Soldermask,Bot", "edge.gbr": "Profile,NP"}  # fmt: skip
    assert job["GeneralSpecs"]["Size"] == {"X": 12.0, "Y": 8.0} and job["GeneralSpecs"]["LayerNumber"] == 2


def test_a_layer_that_the_circuit_lacks_becomes_a_file_of_its_own(tables: MemoryTables) -> None:
    """Without its legend's file, and with no net to touch."""
    board = board_of(made(tables))
    assert b"%TF.FileFunction,Legend,Top*%" in board.merged["legend-top.gbr"]
    assert board.contacts.tied == () and len(board.contacts.floating) == len(board.contacts.parts) > 0
    job = json.loads(board.merged["board.gbrjob"])
    assert {"Path": "legend-top.gbr", "FileFunction": "Legend,Top", "FilePolarity": "Positive"} in job[
        "FilesAttributes"
    ]


def test_the_proof_finds_what_is_wrong(conversion: Conversion) -> None:
    """An area moved by half a millimetre, one that clears, a byte of a drill file, text of the circuit that is gone."""
    board, fabrication = board_of(conversion), conversion.made.fabrication  # type: ignore[union-attr]
    other, lab = conversion.made.circuit.other, conversion.colours.lab  # type: ignore[union-attr]
    prove_merged(board, fabrication, other, lab)
    copper = board.merged["one.gbr"]
    first = re.search(rb"G36\*\nX(\d+)Y", copper[len(FILES["one.gbr"]) - 5 :])
    assert first is not None
    faults = {
        "one.gbr": [
            copper.replace(b"X" + first[1], b"X%d" % (int(first[1]) + 500_000)),
            copper.replace(b"%LPD*%\nG75", b"%LPC*%\nG75"),
            copper.replace(b"X15000000Y22000000D01*", b""),
        ],
        "holes.xnc": [board.merged["holes.xnc"].replace(b"0.500", b"0.600")],
    }
    for name, wrong in faults.items():
        for data in wrong:
            assert data != board.merged[name]
            with pytest.raises(ProofError, match=name):
                prove_merged(replace(board, merged={**board.merged, name: data}), fabrication, other, lab)


def test_thermal_reliefs_stay_as_they_are() -> None:
    """Round every pad of GND that the layout puts on spokes, art may draw no copper, though it may touch GND."""
    settings = read_settings({"pitch": "100um"})
    said = replace(CircuitFile(), net="GND")
    sample = GivenCircuit(name="badge", files=badge_files(), said=said)
    side = sides_beside(sample, FAB, settings, ["top"])["top"]
    rows, columns = np.nonzero((side.may & 1) != 0)
    art = shapely.points(20.0 + (columns + 0.5) * 0.1, 70.0 - (rows + 0.5) * 0.1)
    spoked = [pad for pad in layout.PADS if pad.net == "GND" and pad.on("top") and not pad.joined]
    assert len(spoked) == 4 and len(art) > 50_000
    for pad in spoked:
        assert shapely.distance(moved(pad.area(layout.CLEARANCE)), art).min() > 0.0
    ground = moved(layout.ground_area("top").buffer(0.3))
    assert shapely.distance(ground, art).min() == 0.0  # elsewhere art may come up to it


def at_250_volts(tables: MemoryTables, **more: str) -> Conversion:
    settings = read_settings(
        {"pitch": "50um", "clusters": "none", "edges": "threshold", "fabrication": "on", "voltage": "250Vac", **more}
    )
    beside = sides_beside(given(), FAB, settings, ["top"])["top"]
    return convert(art(), FAB, settings, name="art.png", beside=beside, tables=tables)


def bare_metal_of(conversion: Conversion) -> shapely.Geometry:
    """Art copper in openings of the art's own files, or as near to one as the mask may shift, by shapely.

    Distances are kept between pixels' centres: what is kept between edges is less by a pixel's diagonal.
    """
    files = dict(conversion.files())
    areas = []
    for kind in ("copper-top", "solder-mask-top"):
        data = files.get(f"fabrication/art-only/{kind}.gbr", b"%FSLAX46Y46*%\n%MOMM*%\nM02*\n")
        regions = GerberFile.from_string(data.decode()).objects
        areas.append(shapely.union_all([shapely.Polygon(region.outline) for region in regions]))
    shift = FAB.limits["solder_mask", "registration_mm"].value_mm
    return areas[0].intersection(areas[1].buffer(shift - 2**0.5 * PITCH_UM / 1000))


def test_at_a_hazardous_voltage_bare_art_metal_keeps_the_creepage_distance(tables: MemoryTables) -> None:
    """250 V AC: 5.0 mm (IEC 60664-1, pollution degree 2, FR-4, reinforced, from memory); IPC-2221 asks for less."""
    kept = at_250_volts(tables, bare_metal="keep")
    track = shapely.LineString([(12, 22), (15, 22)]).buffer(0.125)
    pads = [shapely.box(11.5, 21.6, 12.5, 22.4), shapely.box(17, 21, 21, 25), shapely.Point(13, 26).buffer(0.5)]
    circuit = shapely.union_all([track, *pads])
    metal = bare_metal_of(kept)
    assert metal.is_empty or metal.distance(circuit) >= 5.0
    side = kept.beside
    assert side is not None
    may_metal = (side.may & 2) != 0
    rows, columns = np.nonzero(may_metal)
    away = shapely.distance(circuit, shapely.points(10.0 + (columns + 0.5) * 0.05, 28.0 - (rows + 0.5) * 0.05))
    assert away.min(initial=5.0) >= 5.0
    assert ((sides_beside(given(), FAB, read_settings({"pitch": "50um"}), ["top"])["top"].may & 2) != 0).sum() > 5000
    block = json.loads(dict(kept.files())["report.json"])["fabrication"]["circuit"]
    assert "5 mm" in block["creepage"] and "licensed engineer decides" in block["creepage"]
    assert "IPC-2221 table 6-1" in block["creepage"] and "IEC 60664-1" in block["creepage"]


def test_at_a_hazardous_voltage_art_has_no_bare_metal_unless_it_is_kept_and_no_net(tables: MemoryTables) -> None:
    auto = at_250_volts(tables)
    assert bare_metal_of(auto).is_empty
    block = json.loads(dict(auto.files())["report.json"])["fabrication"]["circuit"]
    assert block["creepage"].startswith("Art has no bare metal")
    settings = read_settings({"pitch": "50um", "voltage": "250Vac"})
    with pytest.raises(CircuitError, match="touch the net GND, and the voltage is hazardous"):
        sides_beside(given(net="GND"), FAB, settings, ["top"])


def test_art_on_both_sides(tables: MemoryTables) -> None:
    """Drawn by gerbonara, each side's files hold art, and the drills stay."""
    settings = read_settings({"pitch": "50um", "clusters": "none", "edges": "threshold", "fabrication": "on"})
    beside = sides_beside(given(net="GND"), FAB, settings, ["top", "bottom"])
    files = dict(convert_two_sides(art(), art(), FAB, settings, beside=beside, tables=tables).files())
    for name in (*KINDS.values(), "five.gbr"):
        assert len(files[f"fabrication/merged/{name}"]) > len(FILES[name])
    assert files["fabrication/merged/holes.xnc"] == FILES["holes.xnc"]
    names = {path.rpartition("/")[2] for path in files if path.startswith("fabrication/art-only/")}
    assert {"copper-top.gbr", "solder-mask-bottom.gbr", "art.svg", "art.dxf"} <= names
    alone = drawn_by_gerbonara(files["fabrication/art-only/solder-mask-bottom.gbr"], SIZE_PX[1], SIZE_PX[0], PITCH_UM)
    after = drawn_by_gerbonara(files["fabrication/merged/five.gbr"], SIZE_PX[1], SIZE_PX[0], PITCH_UM)
    assert alone.any() and (after == alone).all()
