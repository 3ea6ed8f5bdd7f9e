"""A board's files, from artwork to Gerber, read back by two readers that the project did not write."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.boards import FABS, board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.readers import drawn_by_gerbonara, drawn_by_gerbv, needs_gerbv
from worker.engine.fabrication.edge_keep_out import edge_keep_out
from worker.engine.fabrication.file_attributes import Project, project_guid
from worker.engine.fabrication.layer_files import LAYER_KINDS, LayerKind, SideName, layer_files, traced_sides
from worker.engine.fabrication.making import MadeSide, make_side
from worker.engine.fabrication.planes import BOARD, LayerPlanes, planes_of
from worker.engine.pipeline import Conversion, convert
from worker.job_settings import read_settings

TOKEN = (FABS.parent / "artworks" / "night-watch-token.png").read_bytes()
PROJECT = Project(name="token", guid=project_guid(TOKEN), revision="1", version="0")


def files_of(side: SideName, planes: LayerPlanes, found: Conversion, *, threads: int = 1) -> dict[str, bytes]:
    """The files of a board with one side."""
    traced = traced_sides({side: planes}, found.fab, threads=threads)
    return dict(layer_files(traced, found.shape, found.fab, PROJECT))


@pytest.fixture(scope="module")
def token(tables: MemoryTables) -> tuple[Conversion, MadeSide, dict[str, bytes]]:
    settings = read_settings({"width": "20mm", "board": "disc", "pitch": "40um"})
    found = convert(TOKEN, board("nocturne-gold"), settings, tables=tables, threads=2)
    planes = planes_of(found.separation.labels, found.fab, pitch_um=found.picture.pitch_um)
    planes = edge_keep_out(found.shape, planes, found.fab)
    made = make_side(planes, found.fab, found.colours.lab, found.picture.srgb, threads=2)
    return found, made, files_of("top", made.planes, found, threads=2)


def test_a_side_is_made_within_its_limits(token: tuple[Conversion, MadeSide, dict[str, bytes]]) -> None:
    _, made, _ = token
    assert made.found.total > 0
    assert made.left.total == 0
    assert made.left.violations == ()


@pytest.mark.parametrize("kind", LAYER_KINDS, ids=lambda kind: kind.name)
def test_layers_come_back_as_they_were_planned(
    kind: LayerKind, token: tuple[Conversion, MadeSide, dict[str, bytes]]
) -> None:
    _, made, files = token
    planes = made.planes
    found = drawn_by_gerbonara(files[f"{kind.name}-top.gbr"], planes.height_px, planes.width_px, planes.pitch_um)
    assert (found == planes.plane(kind.bit)).all()


@needs_gerbv
@pytest.mark.parametrize("kind", LAYER_KINDS, ids=lambda kind: kind.name)
def test_a_second_reader_sees_the_same(
    kind: LayerKind, token: tuple[Conversion, MadeSide, dict[str, bytes]], tmp_path: Path
) -> None:
    _, made, files = token
    planes = made.planes
    size = (planes.height_px, planes.width_px, planes.pitch_um)
    assert (drawn_by_gerbv(files[f"{kind.name}-top.gbr"], *size, tmp_path) == planes.plane(kind.bit)).all()


def test_the_bottom_is_drawn_as_seen_from_the_top(token: tuple[Conversion, MadeSide, dict[str, bytes]]) -> None:
    found, made, files = token
    flipped = LayerPlanes(stack=np.ascontiguousarray(made.planes.stack[:, ::-1]), pitch_um=made.planes.pitch_um)
    below = files_of("bottom", flipped, found)
    regions = [data[data.index(b"%LPD*%") :] for data in (files["copper-top.gbr"], below["copper-bottom.gbr"])]
    assert regions[0] == regions[1]
    assert b"%TF.FileFunction,Copper,L2,Bot*%" in below["copper-bottom.gbr"]


def test_the_job_file_names_every_gerber_file(token: tuple[Conversion, MadeSide, dict[str, bytes]]) -> None:
    _, _, files = token
    listed = {entry["Path"] for entry in json.loads(files["board.gbrjob"])["FilesAttributes"]}
    assert listed == {name for name in files if name.endswith(".gbr")}


def test_the_same_input_gives_the_same_bytes(token: tuple[Conversion, MadeSide, dict[str, bytes]]) -> None:
    found, made, files = token
    assert files_of("top", made.planes, found) == files


def test_nothing_is_drawn_off_the_board(token: tuple[Conversion, MadeSide, dict[str, bytes]]) -> None:
    _, made, _ = token
    assert not (made.planes.stack[~made.planes.plane(BOARD)] & 7).any()
