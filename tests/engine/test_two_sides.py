"""A piece with art on both sides: what comes out, that the bottom is mirrored on the board, and what is refused."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import jsonschema
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.readers import drawn_by_gerbonara
from worker.board_file import read_board_file
from worker.engine.pipeline import STAGES
from worker.engine.report.piece_report import piece_schema
from worker.engine.report.report import report_schema
from worker.engine.two_sides import convert_two_sides
from worker.errors import BoardError, SettingsError
from worker.job_settings import read_settings

PINE, FERN, TIN, MIST, STRAW = "#1E4429", "#3B7638", "#BABCBE", "#F0F3EC", "#C6B27E"
HOLE = b"[[holes]]\nx = 2.2\ny = 2.2\ndiameter = 0.8\nplated = true\n"
WRITTEN = {"width": "12mm", "pitch": "50um", "fabrication": "on", "use": "worn", "includes": ["led"]}


def art(*rectangles: tuple[int, int, int, int, str], ground: str = FERN, size: tuple[int, int] = (240, 200)) -> bytes:
    """PNG of rectangles, (left, top, right, bottom, colour), on a ground."""
    picture = Image.new("RGB", size, ground)
    for left, top, right, bottom, colour in rectangles:
        picture.paste(colour, (left, top, right, bottom))
    out = io.BytesIO()
    picture.save(out, "PNG")
    return out.getvalue()


TOP = art((20, 30, 90, 90, STRAW), (130, 30, 200, 70, TIN), (130, 120, 220, 130, MIST))
BOTTOM = art((160, 40, 215, 80, PINE), (30, 110, 100, 170, TIN), ground=FERN)
"""Seen from behind: its window lies behind the left part of the top's."""


@pytest.fixture(scope="module")
def told() -> list[tuple[str, int, int]]:
    return []


@pytest.fixture(scope="module")
def files(told: list[tuple[str, int, int]], tables: MemoryTables) -> dict[str, bytes]:
    piece = convert_two_sides(
        TOP,
        BOTTOM,
        board("meadow-tin"),
        read_settings(WRITTEN),
        names=("front.png", "back.png"),
        board_file=read_board_file(HOLE),
        tables=tables,
        threads=2,
        progress=lambda stage, done, of: told.append((stage, done, of)),
    )
    return dict(piece.files())


def picture(files: Mapping[str, bytes], path: str) -> npt.NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(files[path])))


def test_a_folder_for_each_side_and_one_board(files: dict[str, bytes]) -> None:
    report = json.loads(files["report.json"])
    assert list(files)[-1] == "report.json"
    assert {path.split("/")[0] for path in files} == {"top", "bottom", "views", "fabrication", "report.json"}
    for side in ("top", "bottom"):
        found = json.loads(files[f"{side}/report.json"])
        jsonschema.validate(found, report_schema())
        assert found["side"] == side and found["fabrication"]["side"] == side
        for name in ("labels.png", "preview.png", "error.png", "comparison.png", "tuning.npz", "masks/tin.png"):
            assert f"{side}/{name}" in files
        assert {seen["mask"] for seen in found["fabrication"]["seen"]} <= set(files)
    jsonschema.validate(report, piece_schema())
    assert [side["artwork"] for side in report["sides"]] == ["front.png", "back.png"]
    assert set(report["fabrication"]) == {path for path in files if path.startswith("fabrication/")}
    assert {view["path"] for view in report["views"]} == {path for path in files if path.startswith("views/")}
    assert "not measured" in report["views"][1]["meaning"]


def test_progress_never_goes_back(files: dict[str, bytes], told: list[tuple[str, int, int]]) -> None:
    assert files
    assert all(before[1] <= after[1] for before, after in pairwise(told))
    assert told[-1][1] == told[-1][2] and {stage for stage, _, _ in told} == set(STAGES)


def test_both_sides_share_outline_and_holes(files: dict[str, bytes]) -> None:
    top, bottom = picture(files, "top/labels.png"), picture(files, "bottom/labels.png")
    assert (top == 255).any()
    assert ((top == 255) == (bottom == 255)[:, ::-1]).all()


def test_gerbonara_reads_the_bottom_mirrored_and_the_top_as_it_is(files: dict[str, bytes]) -> None:
    """The finishes that each side will show say where its copper and its openings are: meadow-tin's recipes."""
    for side in ("top", "bottom"):
        seen = {name: picture(files, f"fabrication/seen-{side}/{name}.png") for name in ("tin", "substrate", "mask")}
        height, width = seen["tin"].shape
        drawn = {
            layer: drawn_by_gerbonara(files[f"fabrication/{layer}-{side}.gbr"], height, width, 50.0)
            for layer in ("copper", "solder-mask")
        }
        if side == "bottom":
            drawn = {layer: plane[:, ::-1] for layer, plane in drawn.items()}
        board_px = picture(files, f"{side}/labels.png") != 255
        opened = (seen["tin"] | seen["substrate"]).astype(bool)
        assert (drawn["solder-mask"] & board_px)[opened].mean() > 0.99
        assert not (drawn["solder-mask"] & board_px & ~opened).any()
        assert drawn["copper"][seen["tin"].astype(bool)].mean() > 0.99
        assert not (drawn["copper"] & board_px)[(seen["substrate"] | seen["mask"]).astype(bool)].any()
        assert seen["tin"].any()


def test_light_comes_through_where_neither_side_has_copper(files: dict[str, bytes]) -> None:
    """Copper as gerbonara reads it; what lies a millimetre inside is seen clear of what spreads in the laminate."""
    light = picture(files, "views/through-light.png").astype(int).sum(axis=-1)
    height, width = light.shape
    copper = [
        drawn_by_gerbonara(files[f"fabrication/copper-{side}.gbr"], height, width, 50.0) for side in ("top", "bottom")
    ]
    hidden, board_px = copper[0] | copper[1], picture(files, "top/labels.png") != 255
    open_px = ~hidden & board_px
    window = open_px[40:80, 25:80]
    assert window.mean() > 0.9 and light[40:80, 25:80][window].min() > 250
    assert light[copper[0] & board_px].max() < light[40:80, 25:80].max() / 3
    assert (light[picture(files, "top/labels.png") == 255] == 3 * 255).mean() > 0.9, "a hole shows the lamp"


def test_the_view_from_behind_is_the_bottom_from_outside(files: dict[str, bytes]) -> None:
    behind = picture(files, "views/from-behind.png").astype(int)
    asked = np.asarray(Image.open(io.BytesIO(files["bottom/preview.png"])).convert("RGB")).astype(int)
    inner = np.s_[20:-20, 20:-20]
    same = np.abs(behind[inner] - asked[inner]).max(axis=-1) < 6
    assert same.mean() > 0.9
    assert same.mean() > (np.abs(behind[inner][:, ::-1] - asked[inner]).max(axis=-1) < 6).mean() + 0.1


def test_the_sheets_speak_of_both_sides(files: dict[str, bytes]) -> None:
    sheet = files["fabrication/READ ME FIRST.txt"].decode()
    assert "copper-top.gbr" in sheet and "copper-bottom.gbr" in sheet
    inspection = files["fabrication/inspection-sheet.html"].decode()
    assert "top side as it should look" in inspection and "bottom side as it should look" in inspection
    assert inspection.count("data:image/png;base64,") == 2
    report = json.loads(files["report.json"])
    flowing = " ".join(sheet.split())
    assert {"warm-parts", "sharp-edges", "bare-metal"} <= {caution["id"] for caution in report["cautions"]}
    assert all(" ".join(c["text"].split(" This is neither")[0].split()) in flowing for c in report["cautions"])


def test_no_metal_is_bare_on_either_side_at_a_hazardous_voltage(tables: MemoryTables) -> None:
    """Read back from the Gerber files by gerbonara: nowhere an opening over copper (230 V: beyond IEC 62368-1 ES1)."""
    piece = convert_two_sides(
        art((20, 20, 60, 50, TIN), (66, 30, 90, 60, STRAW), size=(120, 100)),
        art((30, 20, 80, 70, TIN), size=(120, 100)),
        replace(board("meadow-tin"), back="tin"),
        read_settings({"width": "6mm", "pitch": "50um", "fabrication": "on", "voltage": "230Vac"}),
        tables=tables,
        threads=2,
    )
    files = dict(piece.files())
    for side in ("top", "bottom"):
        copper, opened = (
            drawn_by_gerbonara(files[f"fabrication/{layer}-{side}.gbr"], 100, 120, 50.0)
            for layer in ("copper", "solder-mask")
        )
        assert copper.any() and not (copper & opened).any()
        assert any("Bare metal" in text for text in json.loads(files[f"{side}/report.json"])["warnings"])
    assert {"hazardous-voltage", "no-insulation"} <= {each["id"] for each in piece.report["cautions"]}


def test_without_fabrication_there_are_masks_and_views(tables: MemoryTables) -> None:
    plain = read_settings({**WRITTEN, "fabrication": "off", "pitch": "100um"})
    piece = convert_two_sides(TOP, BOTTOM, board("meadow-tin"), plain, tables=tables, threads=2)
    files = dict(piece.files())
    assert not any(path.startswith("fabrication/") for path in files)
    assert {"views/from-behind.png", "views/through-light.png", "top/masks/tin.png", "bottom/masks/tin.png"} <= set(
        files
    )
    report = json.loads(files["report.json"])
    jsonschema.validate(report, piece_schema())
    assert report["fabrication"] == []


def test_a_fab_of_one_side_and_art_of_another_shape_are_refused(tables: MemoryTables) -> None:
    fab, settings = board("meadow-tin"), read_settings({"width": "12mm", "pitch": "100um"})
    one_sided = replace(fab, stack_up={**fab.stack_up, "sides": 1})
    with pytest.raises(SettingsError, match=r"meadow-tin.*one side.*sides = 1"):
        convert_two_sides(TOP, BOTTOM, one_sided, settings)
    with pytest.raises(BoardError, match=r"back\.png.*12 x 12 mm.*12 x 10 mm"):
        convert_two_sides(TOP, art(size=(200, 200)), fab, settings, names=("front.png", "back.png"), tables=tables)


def test_a_pixel_more_or_less_in_the_bottoms_proportions_is_no_other_shape(tables: MemoryTables) -> None:
    settings = read_settings({"width": "12mm", "pitch": "100um"})
    piece = convert_two_sides(TOP, art(size=(119, 100)), board("meadow-tin"), settings, tables=tables)
    assert piece.sides["bottom"].separation.labels.shape == piece.sides["top"].separation.labels.shape
