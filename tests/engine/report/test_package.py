"""The package as a fab gets it: its archive, its order sheet, its inspection sheet, read as anybody would read them."""

from __future__ import annotations

import hashlib
import html.parser
import io
import re
import zipfile
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageDraw

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.readers import drawn_by_gerbonara
from worker.engine.fabrication.fabricate import Fabrication
from worker.engine.fabrication.number_place import NumberPlace, number_place
from worker.engine.fabrication.proving import prove
from worker.engine.fabrication.read_back import ReadBack
from worker.engine.pipeline import Conversion, convert
from worker.engine.references.findings import fab_findings
from worker.engine.report.inspection_sheet import bow_mm, checks, thickness_tolerance_mm, twist_mm
from worker.engine.report.order_sheet import order_sheet
from worker.engine.report.package import finished_package, package_name, proof_report
from worker.errors import ProofError
from worker.fab_profile import FabProfile
from worker.job_settings import read_settings
from worker.reading import STANDARD_CONDITIONS
from worker.zip_archive import zipped

SETTINGS = {"width": "20mm", "pitch": "50um", "fabrication": "on", "use": "worn"}


def artwork() -> bytes:
    """A gold disc with white letters on it, on a dark ground."""
    picture = Image.new("RGB", (400, 300), (25, 25, 25))
    draw = ImageDraw.Draw(picture)
    draw.ellipse((40, 60, 220, 240), fill=(190, 150, 90))
    draw.rectangle((260, 60, 360, 120), fill=(240, 240, 240))
    out = io.BytesIO()
    picture.save(out, "PNG")
    return out.getvalue()


@pytest.fixture(scope="module")
def fab() -> FabProfile:
    return board("nocturne-gold")


@pytest.fixture(scope="module")
def made(fab: FabProfile, tables: MemoryTables) -> Conversion:
    return convert(artwork(), fab, read_settings(SETTINGS), name="night, 1.png", tables=tables)


@pytest.fixture(scope="module")
def written(made: Conversion) -> dict[str, bytes]:
    assert made.made is not None
    fabrication = made.made.fabrication
    return dict(fabrication.files(made.made.project, fabrication.traced()))


def proved(made: Conversion, files: dict[str, bytes]) -> ReadBack:
    """The proof of these files."""
    fabrication = fabrication_of(made)
    return prove(fabrication, files, fabrication.traced(), made.colours.lab)


def packed(made: Conversion, written: dict[str, bytes], fab: FabProfile) -> dict[str, bytes]:
    assert made.made is not None
    fabrication, project = made.made.fabrication, made.made.project
    proof = proved(made, written)
    references = fab_findings(fab, STANDARD_CONDITIONS).references
    place = number_place(fabrication.planes, fabrication.side)
    settings = read_settings(SETTINGS)
    return dict(finished_package(fabrication, project, written, proof, settings, references, place=place))


@pytest.fixture(scope="module")
def package(made: Conversion, written: dict[str, bytes], fab: FabProfile) -> dict[str, bytes]:
    return packed(made, written, fab)


def fabrication_of(made: Conversion) -> Fabrication:
    assert made.made is not None
    return made.made.fabrication


def test_the_archive_holds_what_a_fab_needs_and_no_drawing(package: dict[str, bytes]) -> None:
    """Read by Python's zipfile; an SVG or DXF in it might be taken for an outline."""
    with zipfile.ZipFile(io.BytesIO(package["night-1-fabrication.zip"])) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        assert names[0] == "READ ME FIRST.txt"
        assert {"copper-top.gbr", "solder-mask-top.gbr", "legend-top.gbr", "profile.gbr", "board.gbrjob"} <= set(names)
        assert not [name for name in names if name.endswith((".svg", ".dxf", ".zip"))]
        for name in names:
            assert name.endswith(".gbr") or archive.read(name) == package.get(name, archive.read(name))
        assert {info.date_time[0] for info in archive.infolist()} == {1980}


def test_the_same_input_gives_the_same_bytes(
    made: Conversion, written: dict[str, bytes], fab: FabProfile, package: dict[str, bytes]
) -> None:
    assert packed(made, written, fab) == package


def test_the_sums_in_the_sheet_are_those_of_the_files(package: dict[str, bytes]) -> None:
    """SHA-256 by Python's hashlib, of the files as they come out of the archive."""
    with zipfile.ZipFile(io.BytesIO(package["night-1-fabrication.zip"])) as archive:
        sheet = archive.read("READ ME FIRST.txt").decode("utf-8")
        sums = dict(re.findall(r"^(\S+)\r\n  ([0-9a-f]{64})\r$", sheet, re.MULTILINE))
        assert set(sums) == set(archive.namelist()) - {"READ ME FIRST.txt"}
        for name, value in sums.items():
            assert hashlib.sha256(archive.read(name)).hexdigest() == value


def test_the_order_sheet_says_what_to_order(package: dict[str, bytes], fab: FabProfile) -> None:
    """25.4 mm to the inch, exactly; 35 um of copper is called 1 oz/ft2 (common practice, no source)."""
    text = package["READ ME FIRST.txt"].decode("utf-8")
    assert max(len(line) for line in text.split("\r\n")) <= 78
    assert "\n" not in text.replace("\r\n", "")
    flat = " ".join(text.split())
    assert "20.00 x 15.00 mm (0.787 x 0.591 in)" in flat
    assert "1.60 mm (0.063 in)" in flat
    assert "35 um (1 oz/ft2)" in flat
    assert "ENIG" in flat and "must hold no lead" in flat
    assert str(fab.stack_up["solder_mask"]) in flat
    assert re.search(r"Legend, top: +white", text) and re.search(r"Legend, bottom: +none", text)
    assert "Do not clip" in flat and "order number" in flat and "narrow webs" in flat
    assert "nickel" in flat and flat.count("licensed practice") == 1
    assert "empty on purpose" in flat


def test_the_place_for_the_number_is_said_or_refused(made: Conversion) -> None:
    assert made.made is not None
    place = NumberPlace(side="bottom", x_mm=10.0, y_mm=25.4, width_mm=2.0, height_mm=12.0)
    text = " ".join(order_sheet(made.made.fabrication, made.made.project, {}, place=place).split())
    assert "bottom side" in text and "y 25.40 mm (1.000 in)" in text and "text along y" in text
    text = " ".join(order_sheet(made.made.fabrication, made.made.project, {}, place=None).split())
    assert "put no number on this board" in text


def test_the_place_is_told_from_where_the_board_lies(made: Conversion) -> None:
    """An outline from a path need not begin at the files' origin; then the sheet says where the board's corner is."""
    fabrication = fabrication_of(made)
    assert made.made is not None
    place = NumberPlace(side="bottom", x_mm=10.0, y_mm=12.0, width_mm=2.0, height_mm=12.0)
    text = " ".join(order_sheet(fabrication, made.made.project, {}, place=place).split())
    assert "the files' origin, the lower left corner" in text
    moved = tuple(np.asarray(ring) + np.array([2.54, 1.0]) for ring in fabrication.shape.outline)
    shape = replace(fabrication.shape, outline=moved)
    text = " ".join(order_sheet(replace(fabrication, shape=shape), made.made.project, {}, place=place).split())
    assert "the board's own lower left corner lies at x 2.54 mm (0.100 in), y 1.00 mm (0.039 in)" in text


def test_copper_is_weighed_as_it_is_written(fab: FabProfile, tables: MemoryTables) -> None:
    """A hatch is about half of the copper: the share that the sheet states is that of the file, by gerbonara."""
    hatching = read_settings({**SETTINGS, "width": "40mm", "hatch": "on"})
    piece = convert(artwork(), board("alba-black"), hatching, name="hatched.png", tables=tables).made
    assert piece is not None
    files = dict(piece.fabrication.files(piece.project, piece.fabrication.traced()))
    copper = drawn_by_gerbonara(files["copper-top.gbr"], 600, 800, 50.0)
    assert piece.fabrication.balance.top == pytest.approx(copper.mean(), abs=0.002)
    assert piece.fabrication.parts["top"].area_mm2 == pytest.approx(copper.sum() * 0.05**2, rel=0.003)
    assert copper.mean() < 0.8


class Tags(html.parser.HTMLParser):
    """Counts tags; every one must be closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.counts: dict[str, int] = {}
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.counts[tag] = self.counts.get(tag, 0) + 1
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href")]
        if tag not in ("br", "img", "meta"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_inspection_sheet_stands_alone(package: dict[str, bytes]) -> None:
    page = package["inspection-sheet.html"].decode("utf-8")
    tags = Tags()
    tags.feed(page)
    assert tags.open == []
    assert "script" not in tags.counts
    assert tags.addresses and all(address.startswith("data:image/png;base64,") for address in tags.addresses)
    assert page.count("&#9744;") % 5 == 0
    assert "night, 1.png" in page
    assert re.search(r"off by 0\.15 mm at most", page) and "71.0" in page


def test_checks_name_only_what_is_on_the_board(made: Conversion) -> None:
    fabrication = fabrication_of(made)
    names = [check.what for check in checks(fabrication, None)]
    assert names[:3] == ["Count", "Width", "Height"] and names[-1] == "Order number"
    assert {"Bow", "Twist", "Peel", "Edge", "Mask on copper", "Legend on copper"} <= set(names)
    assert all(check.limit and check.how and check.source for check in checks(fabrication, None))


def test_limits_of_flatness_are_those_of_the_standard() -> None:
    """0.75 % of 100 mm is 0.75 mm; twist at 0.75 %, one corner held: 100 x 100 mm 2.121, 100 x 80 mm 1.921 (worked)."""
    assert bow_mm(100.0, 0.75) == pytest.approx(0.75)
    assert bow_mm(4.5 * 25.4, 0.75) == pytest.approx(0.03 * 25.4, rel=0.13)  # "about 0.03 in", a published example
    assert twist_mm(100.0, 100.0, 0.75) == pytest.approx(2.121, abs=5e-4)
    assert twist_mm(100.0, 80.0, 0.75) == pytest.approx(1.921, abs=5e-4)
    assert [thickness_tolerance_mm(t) for t in (0.8, 1.0, 1.6)] == pytest.approx([0.08, 0.13, 0.16])


def test_pictures_show_the_board_as_read_back(package: dict[str, bytes], made: Conversion) -> None:
    fabrication = fabrication_of(made)
    with Image.open(io.BytesIO(package["looks-like-top.png"])) as picture:
        drawn = np.asarray(picture).astype(int)
    assert drawn.shape[:2] == fabrication.seen.shape
    wanted = made.colours.srgb[fabrication.seen].astype(int)
    assert (np.abs(drawn - wanted).max(axis=-1) <= 1).mean() > 0.98  # but for pixels whose centre lies on a contour


def test_a_package_that_lacks_a_file_is_not_proved(made: Conversion, written: dict[str, bytes]) -> None:
    files = {name: data for name, data in written.items() if name != "legend-top.gbr"}
    with pytest.raises(ProofError, match=r"legend-top\.gbr"):
        proved(made, files)
    broken = {**written, "copper-top.gbr": written["copper-bottom.gbr"]}
    with pytest.raises(ProofError, match=r"copper-top\.gbr"):
        proved(made, broken)


def test_the_proof_is_reported(made: Conversion, written: dict[str, bytes]) -> None:
    report = proof_report(proved(made, written))
    assert report["whole"] is True and report["areas"] == 1
    listed = report["files"]
    assert isinstance(listed, list) and {file["function"] for file in listed} >= {"Copper,L1,Top", "Profile,NP"}


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("badge.png", "badge"),
        ("night, 1.png", "night-1"),
        ("ночь.png", "board"),
        ("a/b.svg", "a-b"),
        ("...", "board"),
    ],
)
def test_the_archive_is_named_so_that_any_system_takes_it(made: Conversion, name: str, wanted: str) -> None:
    import dataclasses

    assert made.made is not None
    assert package_name(dataclasses.replace(made.made.project, name=name)) == f"{wanted}-fabrication.zip"


def test_an_archive_without_files_is_one_all_the_same() -> None:
    assert zipfile.ZipFile(io.BytesIO(zipped({}))).namelist() == []
