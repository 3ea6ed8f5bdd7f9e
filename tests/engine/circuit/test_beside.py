"""Art and a circuit on one board: what may not change stays, art goes around it, and the score is of all of it."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from PIL import Image
from scipy import ndimage

from tests.engine.circuit.badge import badge_files
from tests.engine.circuit.circuits import small_circuit
from tests.engine.conftest import MemoryTables
from worker.circuit_file import CircuitFile, GivenCircuit, Painting, Place
from worker.engine.arrays import OUTSIDE
from worker.engine.circuit.beside import BesideCircuit, sides_beside
from worker.engine.pipeline import Conversion, convert
from worker.engine.report.report import report_schema
from worker.engine.two_sides import convert_two_sides
from worker.errors import CircuitError, SettingsError
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import Settings, read_settings


@pytest.fixture(scope="module")
def fab() -> FabProfile:
    return read_fab_profile(Path("samples/fabs/meadow-tin.toml").read_bytes())


def asked(**more: str) -> Settings:
    return read_settings({"pitch": "50um", "clusters": "none", **more})


def beside(fab: FabProfile, settings: Settings, side: str = "top", **said: object) -> BesideCircuit:
    given = GivenCircuit(name="small", files=small_circuit(), said=replace(CircuitFile(), **said))  # type: ignore[arg-type]
    return next(iter(sides_beside(given, fab, settings, ["top" if side == "top" else "bottom"]).values()))


def png(pixels: np.ndarray) -> bytes:  # type: ignore[type-arg]
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return out.getvalue()


def colourful(height: int = 160, width: int = 240) -> bytes:
    """Stripes, discs and a gradient in the finishes' colours and between them."""
    y, x = np.mgrid[:height, :width]
    art = np.stack([x * 255 // width, y * 255 // height, (x + y) % 256], axis=2).astype(np.uint8)
    art[(x // 12) % 3 == 0] = (185, 167, 127)
    art[(x - 120) ** 2 + (y - 80) ** 2 < 900] = (238, 240, 232)
    return png(art)


def alone(conversion: Conversion) -> np.ndarray:  # type: ignore[type-arg]
    """bool (H, W): where the board shows what the circuit shows by itself."""
    assert conversion.beside is not None
    return conversion.separation.labels == conversion.beside.given


@pytest.mark.parametrize(("edges", "quality"), [("threshold", "fast"), ("dither", "fast"), ("dither", "best")])
@pytest.mark.parametrize("net", [None, "GND"])
def test_what_may_not_change_stays_and_what_may_obeys(
    fab: FabProfile, edges: str, quality: str, net: str | None, tables: MemoryTables
) -> None:
    settings = asked(edges=edges, quality=quality)
    made = convert(colourful(), fab, settings, beside=beside(fab, settings, net=net), tables=tables)
    side, labels = made.beside, made.separation.labels
    assert side is not None
    board = side.shape.board
    assert ((labels == OUTSIDE) == ~board).all()
    assert alone(made)[board & (side.may == 0)].all()
    assert ((side.allowed >> labels.clip(max=31).astype(np.uint32)) & 1)[board].all()
    changed = board & ~alone(made)
    assert 0.2 < changed.sum() / board.sum() < 0.95
    names = [finish.id for finish in fab.finishes]
    copper = side.side.plane(1)
    bare_ground = (labels == names.index("tin")) & ~alone(made) & copper
    assert bare_ground.any() == (net == "GND")  # the mask is opened over copper of the net that is named alone
    report = {**made.report, "stages": {}}
    jsonschema.validate(json.loads(json.dumps(report)), report_schema())
    block = made.report["circuit"]
    assert block["net"] == net
    assert made.report["settings"]["includes"] == ["circuit", "led"]  # a net has that name
    said = {caution["id"]: caution["because"] for caution in made.report["cautions"]}
    assert (said["antenna"], said["flame-rating"]) == ("includes: circuit", "includes: circuit, led")
    mm2 = 0.05**2
    assert block["art_mm2"] == pytest.approx(changed.sum() * mm2)
    assert sum(block["shown_mm2"].values()) + block["art_mm2"] == pytest.approx(board.sum() * mm2)


def test_an_artwork_that_looks_like_the_circuit_leaves_it_alone_and_scores_nothing(
    fab: FabProfile, tables: MemoryTables
) -> None:
    """The circuit's own finishes count in the score: a picture of them differs by no more than colours in 8 bits do."""
    settings = asked(edges="threshold")
    side = beside(fab, settings)
    blank = convert(png(np.zeros((160, 240, 4), np.uint8)), fab, settings, beside=side, tables=tables)
    assert alone(blank).all()
    assert blank.score.s_cielab.mean < 0.5
    seen = convert(png(blank.preview), fab, asked(edges="threshold", clean_up="off"), beside=side, tables=tables)
    assert alone(seen)[side.shape.board].all()
    assert seen.score.ciede2000.mean < 0.5
    white = convert(png(np.full((160, 240, 3), 255, np.uint8)), fab, settings, beside=side, tables=tables)
    assert white.score.ciede2000.mean > 10.0


@pytest.mark.parametrize("side", ["top", "bottom"])
def test_a_letter_that_would_be_torn_is_left_out_and_told_with_its_place(
    fab: FabProfile, side: str, tables: MemoryTables
) -> None:
    """Two L of 2 mm, one with its foot in a place to keep out of, on a board from 10, 20 to 22, 28 mm."""
    art = np.full((160, 240, 3), (31, 83, 48), np.uint8)  # the colour of mask: laminate shows green under it
    for left in (76, 150):
        art[70:110, left : left + 8] = art[102:110, left : left + 28] = (240, 240, 236)
    corners = ((14.3, 22.4), (15.3, 22.4), (15.3, 23.2), (14.3, 23.2))  # the board's middle lies at 16 mm
    if side == "bottom":
        corners = tuple((32.0 - x, y) for x, y in corners)  # type: ignore[assignment]
    place = Place(kind="keep-out", sides=("top", "bottom"), points=corners, entry="place")
    said = beside(fab, asked(edges="threshold"), side, places=(place,))
    made = convert(png(art), fab, asked(edges="threshold"), beside=said, side=said.side.side, tables=tables)
    (left_out,) = made.report["circuit"]["left_out"]
    near = 10.0 + 76 * 0.05 if side == "top" else 22.0 - 104 * 0.05  # seen from below, its left is the board's right
    assert left_out["finish"] == "legend"
    assert left_out["box_mm"] == pytest.approx({"left": near, "low": 22.5, "right": near + 1.4, "high": 24.5}, abs=0.11)
    assert any("1 mark of the artwork" in warning for warning in made.report["warnings"])
    legend = made.masks["legend"] & ~alone(made)
    assert not legend[65:115, 71:109].any() and 400 < legend[65:115, 145:185].sum() < 560  # 480 pixels are drawn
    jsonschema.validate(json.loads(json.dumps({**made.report, "stages": {}})), report_schema())


def test_the_artwork_lies_where_it_is_put(fab: FabProfile, tables: MemoryTables) -> None:
    settings = asked(edges="threshold", width="2mm")
    white = png(np.full((10, 20, 3), 255, np.uint8))
    made = convert(white, fab, settings, beside=beside(fab, settings, artwork_at=(14.0, 26.0)), tables=tables)
    rows, columns = np.nonzero(~alone(made))
    left, right = 10.0 + columns.min() * 0.05, 10.0 + (columns.max() + 1) * 0.05
    low, high = 28.0 - (rows.max() + 1) * 0.05, 28.0 - rows.min() * 0.05
    assert (low, right, high) == pytest.approx((26.0, 16.0, 27.0))
    assert 14.0 <= left <= 14.55  # the fiducial mark's clear zone reaches to 14.5
    with pytest.raises(CircuitError, match="lies beside the board"):
        convert(white, fab, settings, beside=beside(fab, settings, artwork_at=(30.0, 26.0)), tables=tables)


def test_the_artwork_covers_the_board_where_no_size_is_said(fab: FabProfile, tables: MemoryTables) -> None:
    settings = asked(edges="threshold")
    for height, width in ((40, 10), (10, 40)):
        made = convert(
            png(np.full((height, width, 3), 255, np.uint8)), fab, settings, beside=beside(fab, settings), tables=tables
        )
        assert made.picture.alpha is None
        assert (made.picture.width_mm, made.picture.height_mm) == pytest.approx((12.0, 8.0))


def test_both_sides_go_round_the_circuit(fab: FabProfile, tables: MemoryTables) -> None:
    settings = asked(edges="threshold")
    given = GivenCircuit(name="small", files=small_circuit())
    both = sides_beside(given, fab, settings, ["top", "bottom"])
    piece = convert_two_sides(colourful(), colourful(), fab, settings, beside=both, tables=tables)
    for conversion in piece.sides.values():
        assert conversion.beside is not None
        assert alone(conversion)[conversion.beside.shape.board & (conversion.beside.may == 0)].all()
    bottom = piece.sides["bottom"]
    names = [finish.id for finish in fab.finishes]
    # all of the bottom but its edge is copper, so no bare laminate can be had there
    assert (bottom.separation.labels != names.index("substrate")).all()


def test_no_letter_nor_line_is_left_as_scraps_between_pads_or_along_the_edge(
    fab: FabProfile, tables: MemoryTables
) -> None:
    """The round badge on the sample circuit, whose low edge cuts its text. Where the pads are, the layout says."""
    settings = asked(edges="threshold", clusters="8")
    given = GivenCircuit(name="badge", files=badge_files(), said=replace(CircuitFile(), net="GND"))
    side = sides_beside(given, fab, settings, ["top"])["top"]
    art = Path("samples/artworks/quillmere-badge.png").read_bytes()
    made = convert(art, fab, settings, beside=side, tables=tables)
    labels, tin = made.separation.labels, [finish.id for finish in fab.finishes].index("tin")
    drawn = ~alone(made) & side.shape.board
    height = len(labels) * 0.05
    for x, y in ((25.0, 10.0), (33.0, 5.05)):  # between the pads of R1 and of R2
        rows, columns = (slice(round((at - 0.45) / 0.05), round((at + 0.45) / 0.05)) for at in (height - y, x))
        assert not drawn[rows, columns].any()
    low = np.zeros_like(drawn)
    low[-round(2.5 / 0.05) :, round(16.0 / 0.05) : round(34.0 / 0.05)] = True
    for i in range(len(fab.finishes)):
        found, count = ndimage.label(drawn & low & (labels == i), np.ones((3, 3)))
        areas = np.bincount(found.ravel(), minlength=1)[1:] * 0.05**2
        assert (areas > 0.3).all()
        # strokes of SINCE 1911, of which the board has about the upper two thirds, opened over the ground area
        assert count == 0 or (i == tin and count >= 5)
    assert (drawn & low).any()


SVG = b"""<svg xmlns="http://www.w3.org/2000/svg" width="12mm" height="8mm" viewBox="0 0 12 8">
<rect x="6" y="1" width="3" height="2" fill="#123"/><rect x="0" y="6" width="3" height="2" fill="#eee"/></svg>"""


@pytest.mark.parametrize("side", ["top", "bottom"])
def test_art_keeps_out_of_what_is_painted_dark(fab: FabProfile, side: str) -> None:
    """6 mm from the left, 1 mm from the top, 3 x 2 mm, seen from the top; the light rectangle says nothing."""
    given = GivenCircuit(name="small", files=small_circuit())
    painted = replace(given, painting=Painting(name="places.svg", data=SVG))
    name = "top" if side == "top" else "bottom"
    without, with_it = (sides_beside(one, fab, asked(), [name])[name].may for one in (given, painted))  # type: ignore[list-item,index]
    dark = np.zeros(without.shape, np.bool_)
    dark[20:60, 120:180] = True
    if side == "bottom":
        dark = dark[:, ::-1]
    assert (with_it[dark] == 0).all() and without[dark].any()
    assert (with_it[~dark] == without[~dark]).all()


def test_a_painting_of_another_shape_or_all_dark_is_an_error(fab: FabProfile) -> None:
    given = GivenCircuit(name="small", files=small_circuit())
    for pixels, said in (
        (np.full((80, 80, 3), 255, np.uint8), "80 x 80 px"),
        (np.zeros((80, 120, 3), np.uint8), "dark"),
    ):
        painted = replace(given, painting=Painting(name="places.png", data=png(pixels)))
        with pytest.raises(CircuitError, match=said):
            sides_beside(painted, fab, asked(), ["top"])


@pytest.mark.parametrize(
    ("more", "said"), [({"board": "disc"}, "board"), ({"islands": "tie"}, "islands"), ({"hatch": "on"}, "hatch")]
)
def test_what_contradicts_a_circuit_is_an_error(fab: FabProfile, more: dict[str, str], said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        beside(fab, asked(**more))
