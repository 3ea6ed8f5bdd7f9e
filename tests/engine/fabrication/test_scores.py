"""Scored lines: from a board file into the files, the sheets and the proof.

The file function is Vcut, without Top or Bot where both faces are scored alike (Gerber Layer Format Specification,
section 5.6.3, from memory). gerbonara reads what was written.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from gerbonara.rs274x import GerberFile

from tests.boards import board, picture_of
from worker.board_file import read_board_file
from worker.engine.fabrication.board import BoardShape
from worker.engine.fabrication.board_shape import shape_board
from worker.engine.fabrication.file_attributes import Project, project_guid
from worker.engine.fabrication.layer_changes import compare_packages
from worker.engine.fabrication.layer_files import SideName, TracedSide, layer_files, traced_sides
from worker.engine.fabrication.planes import BOARD, COPPER, LayerPlanes
from worker.engine.fabrication.proving import prove_files
from worker.engine.fabrication.returned_files import match_files
from worker.engine.report.order_facts import file_facts, order_facts
from worker.errors import ProofError
from worker.job_settings import read_settings

FAB = board("nocturne-gold")
PROJECT = Project(name="pair", guid=project_guid(b"pair"), revision="1", version="0")
LAB = np.full((len(FAB.finishes), 3), 50.0)


@pytest.fixture(scope="module")
def made() -> tuple[BoardShape, dict[SideName, TracedSide], dict[str, bytes]]:
    """Two cards of 15 x 20 mm in one board, to be snapped apart, with a scored lower edge."""
    picture = picture_of(np.zeros((200, 300, 3), dtype=np.uint8), pitch_um=100.0)
    file = read_board_file(b"[[scores]]\nx = 15\n[[scores]]\ny = 0")
    _, shape = shape_board(picture, read_settings({}), FAB, board_file=file)
    stack = np.full((200, 300), BOARD, dtype=np.uint8)
    stack[20:180, 20:130] |= COPPER
    traced = traced_sides({"top": LayerPlanes(stack=stack, pitch_um=100.0)}, FAB)
    return shape, traced, dict(layer_files(traced, shape, FAB, PROJECT))


def test_the_file_draws_the_lines_and_says_what_they_are(
    made: tuple[BoardShape, dict[SideName, TracedSide], dict[str, bytes]],
) -> None:
    _, _, files = made
    read = GerberFile.from_string(files["score-lines.gbr"].decode("ascii"))
    assert read.file_attrs[".FileFunction"] == ("Vcut",)
    lines = {((line.x1, line.y1), (line.x2, line.y2)) for line in read.objects}
    assert lines == {((15.0, 0.0), (15.0, 20.0)), ((0.0, 0.0), (30.0, 0.0))}
    listed = {entry["Path"]: entry["FileFunction"] for entry in json.loads(files["board.gbrjob"])["FilesAttributes"]}
    assert listed["score-lines.gbr"] == "Vcut" and listed["profile.gbr"] == "Profile,NP"
    assert b'<g id="score-lines"' in files["assembly.svg"]
    assert files["assembly.dxf"].count(b"0\nLINE\n8\nSCORE-LINES\n") == 2


def test_the_sheet_names_them(made: tuple[BoardShape, dict[SideName, TracedSide], dict[str, bytes]]) -> None:
    shape, traced, files = made
    said = " ".join(" ".join(order_facts(FAB, shape, {"top": traced["top"].planes})).split())
    assert "routed where it is not scored" in said
    assert "along x = 15.00 mm (0.591 in) and y = 0.00 mm (0.000 in), straight across, from both faces (V-cut)" in said
    assert "[Vcut]" in " ".join(file_facts(files))


def test_a_changed_score_is_no_proof(made: tuple[BoardShape, dict[SideName, TracedSide], dict[str, bytes]]) -> None:
    shape, traced, files = made
    assert len(prove_files(files, traced, shape, FAB, LAB).files) == 5
    moved = files["score-lines.gbr"].replace(b"X15000000Y20000000D01*", b"X15000001Y20000000D01*")
    assert moved != files["score-lines.gbr"]
    for broken in ({**files, "score-lines.gbr": moved}, {k: v for k, v in files.items() if k != "score-lines.gbr"}):
        with pytest.raises(ProofError, match=r"score-lines\.gbr"):
            prove_files(broken, traced, shape, FAB, LAB)
    with pytest.raises(ProofError, match=r"score-lines\.gbr, read back, has 2 lines, of which 1 are among"):
        prove_files({**files, "score-lines.gbr": moved}, traced, shape, FAB, LAB)


def test_compare_sees_a_score_that_moved(
    made: tuple[BoardShape, dict[SideName, TracedSide], dict[str, bytes]],
) -> None:
    _, _, files = made
    moved = {**files, "score-lines.gbr": files["score-lines.gbr"].replace(b"X15000000", b"X14000000")}
    before, after = (match_files(some, {}, whose="it").layers for some in (files, moved))
    changes = compare_packages(before, after, pitch_um=50.0)
    assert [layer.layer for layer in changes.differing(missing_counts=True)] == ["score-lines"]
