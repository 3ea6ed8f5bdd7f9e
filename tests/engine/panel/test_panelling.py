"""A panel from pieces to files: proved by other readers, cut as a router can, told by its report."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import shapely
from gerbonara.rs274x import GerberFile
from PIL import Image, ImageDraw
from scipy.ndimage import binary_dilation, binary_erosion
from shapely.geometry import Polygon

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.readers import drawn_by_gerbonara, drawn_by_gerbv, needs_gerbv
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.fabrication.gerber_reader import read_drill, read_gerber
from worker.engine.fabrication.read_outline import closed_lines
from worker.engine.fabrication.stack_colours import stack_lab
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.panel.panel_proof import prove_panel
from worker.engine.panel.panel_report import panel_schema
from worker.engine.panel.panelling import MadePanel, make_panel
from worker.engine.panel.piece import Piece, read_piece
from worker.engine.pipeline import convert
from worker.errors import PanelError, ProofError
from worker.job_settings import read_settings
from worker.panel_file import PanelFile, read_panel_file

FAB = board("nocturne-gold")
PANEL = """
name = "moons"
size = [60, 50]
label = true
[rails]
all = 8
[fiducials]
[tooling_holes]
[numbering]
"""


def piece_of(tables: MemoryTables, width: int, height: int, shape: str) -> Piece:
    """A board of so many tenths of a mm, with legend, copper and bare metal that is not alike in any turn."""
    picture = Image.new("RGB", (width, height), "#101010")
    draw = ImageDraw.Draw(picture)
    draw.rectangle((width // 5, height // 5, width // 2, height // 3), fill="#f0f0f0")
    draw.rectangle((width // 2, height // 2, 4 * width // 5, 3 * height // 4), fill="#d0b070")
    data = io.BytesIO()
    picture.save(data, "PNG")
    data.seek(0)
    settings = {"width": f"{width / 10}mm", "pitch": "100um", "board": shape, "fabrication": "on", "edges": "threshold"}
    conversion = convert(data, FAB, read_settings(settings), name=f"{shape}.png", tables=tables)
    return read_piece(dict(conversion.files()), source=shape)


@pytest.fixture(scope="module")
def disc(tables: MemoryTables) -> Piece:
    return piece_of(tables, 120, 120, "disc")


@pytest.fixture(scope="module")
def card(tables: MemoryTables) -> Piece:
    return piece_of(tables, 140, 90, "rectangle")


def made_of(text: str, *pieces: Piece) -> MadePanel:
    panel = panel_file(text)
    return make_panel(panel, list(zip(panel.pieces, pieces, strict=True)), FAB)


def panel_file(text: str) -> PanelFile:
    return read_panel_file(text.encode(), file_name="panel.toml")


@pytest.fixture(scope="module")
def tokens(disc: Piece) -> MadePanel:
    return made_of(f"{PANEL}[[pieces]]\nresult = 'disc'\ncount = 'fill'", disc)


@pytest.fixture(scope="module")
def mixed(disc: Piece, card: Piece) -> MadePanel:
    pieces = ("[[pieces]]", "result = 'card'", "count = 2", "turns = [90]")
    others = ("[[pieces]]", "result = 'disc'", "count = 2", "turns = [270]")
    return made_of(PANEL + "\n".join([*pieces, *others]), card, disc)


def profile_of(made: MadePanel) -> shapely.Geometry:
    """The board that the profile draws, as gerbonara reads it, by the even-odd rule."""
    lines = closed_lines(read_gerber(made.files["fabrication/profile.gbr"], name="profile"))
    whole: shapely.Geometry = Polygon()
    for line in lines:
        whole = whole.symmetric_difference(Polygon(np.array(line) / 1e6))
    return whole


def layer_area(data: bytes) -> float:
    """mm2 that a layer's file shows, as gerbonara and shapely have it, painted in order."""
    seen: shapely.Geometry = Polygon()
    for thing in GerberFile.from_string(data.decode()).objects:
        for primitive in thing.to_primitives("mm"):
            if type(primitive).__name__ == "Circle":
                shape = shapely.Point(primitive.x, primitive.y).buffer(primitive.r, quad_segs=64)
            else:
                shape = Polygon(primitive.to_arc_poly().outline)
            seen = seen.union(shape) if primitive.polarity_dark else seen.difference(shape)
    return float(seen.area)


def test_the_report_is_as_its_schema_says(tokens: MadePanel, mixed: MadePanel) -> None:
    for made in (tokens, mixed):
        report = json.loads(made.files["report.json"])
        jsonschema.validate(report, panel_schema())
        assert (
            report["counts"]["pieces"] == len(report["pieces"]) == sum(e["count"] for e in report["counts"]["by_piece"])
        )
        assert [check["id"] for check in report["checks"] if not check["ok"]] == []
        assert {"glass-dust", "sharp-edges"} <= {caution["id"] for caution in report["cautions"]}


def test_every_file_of_the_report_is_there(tokens: MadePanel) -> None:
    listed = {entry["path"] for entry in tokens.report["files"]}
    assert listed < set(tokens.files) and tokens.files["panel.png"].startswith(b"\x89PNG")
    assert set(tokens.files) - listed == {"report.json", "fabrication/moons-fabrication.zip"}


def test_layers_show_as_much_as_the_pieces_and_the_marks(mixed: MadePanel, disc: Piece, card: Piece) -> None:
    """Areas by general libraries: gerbonara reads, shapely paints; marks by arithmetic."""
    for name, marks in (("copper-top.gbr", 3 * np.pi / 4), ("solder-mask-top.gbr", 3 * np.pi)):
        own = 2 * layer_area(disc.layers[name]) + 2 * layer_area(card.layers[name])
        assert layer_area(mixed.files[f"fabrication/{name}"]) == pytest.approx(own + marks, rel=1e-3)


@needs_gerbv
@pytest.mark.parametrize("name", ["copper-top.gbr", "solder-mask-top.gbr", "legend-top.gbr"])
def test_gerbv_sees_the_same_panel(mixed: MadePanel, name: str, tmp_path: Path) -> None:
    """A third reader, Debian's, agrees with the first one at every pixel that is not beside an edge."""
    data = mixed.files[f"fabrication/{name}"]
    one = drawn_by_gerbv(data, 1000, 1200, 50.0, tmp_path)
    other = drawn_by_gerbonara(data, 1000, 1200, 50.0)
    edges = binary_dilation(other, iterations=1) ^ binary_erosion(other, iterations=1)
    assert other.any() and not ((one ^ other) & ~edges).any()


def test_pieces_hang_together_and_the_bit_gets_round(tokens: MadePanel, mixed: MadePanel) -> None:
    bit = FAB.limits["routing", "bit_mm"].value_mm
    for made in (tokens, mixed):
        profile = profile_of(made)
        assert len(shapely.get_parts(profile)) == 1
        slots = made.panel.laid.board.difference(profile)
        reached = slots.buffer(0.02 - bit / 2, quad_segs=64).buffer(bit / 2, quad_segs=64)
        assert slots.difference(reached.buffer(0.05)).area < 0.02
        for i, piece in enumerate(made.panel.laid.placed):
            tabs = made.panel.cut.tabbed.of(i)  # type: ignore[union-attr]
            assert len(tabs) >= 2
            beyond = piece.outline.buffer(0.4).difference(piece.outline)
            held = beyond.intersection(profile).area / 0.4
            assert held == pytest.approx(3.0 * len(tabs), rel=0.35)
            assert profile.buffer(1e-5).covers(piece.outline)


def test_perforations_touch_the_edge_from_outside(tokens: MadePanel) -> None:
    drill = read_drill(tokens.files["fabrication/holes-unplated.xnc"], name="holes")
    small = [hole for hole in drill.holes if hole.diameter_mm == 0.5]
    assert len(small) == tokens.report["tabs"]["perforations"] > 0
    edges = shapely.union_all([piece.outline.exterior for piece in tokens.panel.laid.placed])
    for hole in small:
        assert edges.distance(shapely.Point(hole.x_mm, hole.y_mm)) == pytest.approx(0.25, abs=0.01)


def test_fiducials_are_discs_of_bare_copper_that_say_so(tokens: MadePanel) -> None:
    copper = tokens.files["fabrication/copper-top.gbr"]
    assert b"%TA.AperFunction,FiducialPad,Global*%\n%ADD10C,1*%" in copper
    objects = GerberFile.from_string(copper.decode()).objects
    marks = {(thing.x, thing.y) for thing in objects if type(thing).__name__ == "Flash"}
    assert marks == {(one["x_mm"], one["y_mm"]) for one in tokens.report["fiducials"]} and len(marks) == 3


def test_numbers_stand_in_the_legend_of_the_back(tokens: MadePanel) -> None:
    texts = [text for text in tokens.panel.marks.texts if text.number is not None]
    assert [text.number for text in texts] == [one["number"] for one in tokens.report["pieces"]]
    for text, piece in zip(texts, tokens.panel.laid.placed, strict=True):
        assert text.side == "bottom" and piece.outline.buffer(-0.5).covers(shapely.box(*text.box))
        assert text.height_mm >= FAB.limits["legend", "text_height_mm"].value_mm
    boxes = [one["box_mm"] for one in tokens.report["pieces"]]
    for i, (left, _, _, high) in enumerate(boxes):
        for later_left, low, _, later_high in boxes[i + 1 :]:
            assert low < high - 8.0 and (later_left > left or later_high < high - 1.0)


def broken(files: Mapping[str, bytes], name: str, old: bytes, new: bytes) -> dict[str, bytes]:
    data = files[f"fabrication/{name}"]
    assert old in data
    changed = {path.removeprefix("fabrication/"): each for path, each in files.items()}
    return {**changed, name: data.replace(old, new, 1)}


@pytest.mark.parametrize("most_corners", [1_000_000, 0], ids=["whole", "sample"])
def test_a_wrong_digit_is_found(mixed: MadePanel, most_corners: int) -> None:
    colours = lab_to_srgb(stack_lab(FAB, finish_colours(FAB).lab))
    sound = {path.removeprefix("fabrication/"): data for path, data in mixed.files.items()}
    proof = prove_panel(mixed.panel, sound, colours, most_corners=most_corners)
    assert proof.whole == (most_corners > 0) and len(proof.sampled) == 4
    data = mixed.files["fabrication/copper-top.gbr"]
    area = data[data.index(b"G36*") : data.index(b"G37*")].splitlines()
    x = int(area[2][1:].partition(b"Y")[0])
    moved = area[2].replace(b"X%d" % x, b"X%d" % (x + 300_000))
    with pytest.raises(ProofError, match="copper-top"):
        prove_panel(
            mixed.panel, broken(mixed.files, "copper-top.gbr", area[2], moved), colours, most_corners=most_corners
        )


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("legend-top.gbr", b"%LPD*%\nG36*", b"%LPC*%\nG36*"),
        ("copper-top.gbr", b"D10*\n", b"D10*\nX3000000Y3000000D03*\n"),
        ("copper-top.gbr", b".Part,Array", b".Part,Single"),
        ("profile.gbr", b"D02*\n", b"D02*\nX1000000Y1000000D01*\n"),
        ("holes-unplated.xnc", b"T01C0.5", b"T01C0.6"),
    ],
)
def test_what_is_not_the_pieces_own_is_found(mixed: MadePanel, name: str, old: bytes, new: bytes) -> None:
    colours = lab_to_srgb(stack_lab(FAB, finish_colours(FAB).lab))
    with pytest.raises(ProofError):
        prove_panel(mixed.panel, broken(mixed.files, name, old, new), colours)


def test_what_fills_is_named_not_what_is_counted_beside_it(card: Piece) -> None:
    pieces = "[[pieces]]\nresult = 'card'\ncount = {}\nturns = [0]\n"
    text = f"join = 'scores'\n{PANEL}{pieces.format(2)}{pieces.format(repr('fill'))}"
    density = made_of(text, card, replace(card, source="filler")).report["density"]
    assert (density["filled"]["piece"], density["filled"]["count"]) == ("filler", 9)


def test_scores_run_straight_across_along_every_edge(card: Piece) -> None:
    made = made_of(f"join = 'scores'\n{PANEL}[[pieces]]\nresult = 'card'\ncount = 'fill'\nturns = [0]", card)
    # 44 x 34 mm hold 3 x 3 cards of 14 x 9 mm, in the middle: by arithmetic.
    assert made.report["counts"]["pieces"] == 9 and made.report["density"]["filled"]["bound"] >= 9
    xs = [score["x_mm"] for score in made.report["scores"] if "x_mm" in score]
    assert xs == pytest.approx([9, 23, 37, 51]) and len(made.report["scores"]) == 8
    lines = read_gerber(made.files["fabrication/score-lines.gbr"], name="scores").lines
    assert {tuple(np.abs(line[2:4] - line[:2])) for line in lines} == {(60.0, 0.0), (0.0, 50.0)}
    (close,) = [check for check in made.report["checks"] if check["id"] == "layers-to-score"]
    boxes = np.concatenate([read_gerber(data, name=name).boxes for name, data in card.layers.items()])
    nearest = min(boxes[:, 0].min(), boxes[:, 1].min(), 14.0 - boxes[:, 2].max(), 9.0 - boxes[:, 3].max())
    assert close["found"] == pytest.approx(nearest, abs=1e-6) and close["ok"]


@pytest.mark.parametrize(
    ("text", "what", "mend"),
    [
        ("join = 'scores'\n{panel}[[pieces]]\nresult = 'd'", "no rectangle", "join = tabs"),
        (
            "spacing = 1\n{panel}[[pieces]]\nresult = 'd'",
            "spacing is 1 mm, and the fab's router has a bit of",
            "scores",
        ),
        ("{panel}[[pieces]]\nresult = 'd'\ncount = 50", "times, and 50 are asked for", "larger panel"),
        ("{panel}[[taken]]\nrectangle = [0, 0, 60, 50]\n[[pieces]]\nresult = 'd'", "leave 0 mm2", "larger"),
        ("size = [60, 50]\n[fiducials]\n[[pieces]]\nresult = 'd'", "no rail wide enough", "rails wider"),
        ("label = '{long}'\n{rest}", "fits on no rail", "Shorten it"),
    ],
)
def test_what_can_not_be_laid_out_says_why(disc: Piece, text: str, what: str, mend: str) -> None:
    rest = PANEL.replace("label = true\n", "") + "[[pieces]]\nresult = 'd'"
    with pytest.raises(PanelError) as caught:
        made_of(text.replace("{panel}", PANEL).replace("{long}", "very long " * 9).replace("{rest}", rest), disc)
    assert what in caught.value.what and mend in caught.value.mend


def test_a_score_through_another_piece_is_refused(card: Piece) -> None:
    ring = np.array([[0, 0], [20, 0], [20, 9], [0, 9]]) * 10**6
    wide = replace(card, outline=shapely.box(0, 0, 20, 9), rings=(ring,))
    text = "join = 'scores'\nsize = [40, 40]\n"
    text += "".join(f"[[pieces]]\nresult = '{name}'\nturns = [0]\n" for name in "ab")
    with pytest.raises(PanelError, match="would run through piece"):
        made_of(text + "count = 4", wide, card)


def test_pieces_of_another_profile_are_refused(disc: Piece) -> None:
    with pytest.raises(PanelError, match="was made for fab profile other"):
        made_of("size = [60, 50]\n[[pieces]]\nresult = 'd'", replace(disc, fab="other"))


def test_a_result_without_fabrication_files_is_refused() -> None:
    with pytest.raises(PanelError, match=r"art has no fabrication/profile\.gbr") as caught:
        read_piece({"report.json": b"{}"}, source="art")
    assert "fabrication = on" in caught.value.mend
    with pytest.raises(PanelError, match="art beside a circuit") as caught:
        read_piece({"report.json": b"{}", "fabrication/merged/board.gbr": b""}, source="art")
    assert "fabrication/merged/" in caught.value.mend


def test_loose_pieces_lie_in_the_free_area_of_a_round_panel(disc: Piece) -> None:
    text = """
    join = "loose"
    [outline]
    path = "M 30 0 A 30 30 0 0 1 30 60 A 30 30 0 0 1 30 0 Z"
    [[free]]
    circle = [30, 30, 50]
    [[pieces]]
    result = "disc"
    count = "fill"
    """
    made = made_of(text, disc)
    # Centres lie within 25 - 2.4 - 6 = 16.6 mm, 14.4 mm apart: a ring of five and one in the middle do, by arithmetic.
    assert made.report["counts"]["pieces"] >= 6 <= made.report["density"]["filled"]["bound"]
    whole = profile_of(made)
    parts = sorted(shapely.get_parts(whole), key=lambda part: -part.area)
    assert len(parts) == 1 + made.report["counts"]["pieces"] and made.report["tabs"] is None
    assert parts[1].area == pytest.approx(np.pi * 36.0, rel=1e-3)
    assert min(one.distance(other) for i, one in enumerate(parts) for other in parts[:i]) > 2.397
