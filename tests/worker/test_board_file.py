"""Board files: read from TOML and from JSON, and complained about by entry."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from worker.board_file import PlannedScore, read_board_file
from worker.errors import BoardError
from worker.table_reader import MAX_BYTES

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
(EXAMPLE,) = re.findall(r'```toml title="keyhole.toml"\n(.*?)```', README, re.DOTALL)


def test_the_example_of_the_readme() -> None:
    file = read_board_file(EXAMPLE.encode(), file_name="keyhole.toml")
    assert file.origin == "centre" and file.name == "keyhole.toml"
    assert file.outline == ((-20, -15), (20, -15), (20, 5), (5, 15), (-20, 15))
    (window,) = file.cut_outs
    assert max(x for x, _ in window.points) == 14.5 and window.entry == "cut_outs[0]"
    hole, slot = file.holes
    assert (hole.x, hole.y, hole.diameter, hole.plated, hole.to) == (-16, 11, 1.2, True, None)
    assert (slot.to, slot.plated, slot.entry) == ((-11, -11), False, "holes[1]")
    assert file.scores == (PlannedScore(entry="scores[0]", upright=False, at=-15.0),)


def test_json_with_the_same_keys_is_the_same() -> None:
    toml, text = read_board_file(EXAMPLE.encode()), json.dumps(tomllib.loads(EXAMPLE)).encode()
    read = read_board_file(text)
    assert (read.origin, read.outline, read.cut_outs, read.holes) == (
        toml.origin,
        toml.outline,
        toml.cut_outs,
        toml.holes,
    )
    assert read.sha256 != toml.sha256


def test_an_empty_file_changes_nothing() -> None:
    file = read_board_file(b"")
    assert (file.origin, file.outline, file.cut_outs, file.holes) == ("lower left", None, (), ())


def test_a_path_is_the_polygon_that_it_draws() -> None:
    drawn = read_board_file(b"[outline]\npath = 'M 0 0 H 6 V 4 H 0 Z'").outline
    listed = read_board_file(b"[outline]\npolygon = [[0, 0], [6, 0], [6, 4], [6, 4], [0, 4], [0, 0]]").outline
    assert drawn == listed == ((0, 0), (6, 0), (6, 4), (0, 4))


HOLE: dict[str, Any] = {"x": 1, "y": 2, "diameter": 1, "plated": True}


@pytest.mark.parametrize(
    ("content", "what", "mend"),
    [
        ({"hole": []}, "hole: is not a known key", "Known here: origin, outline, cut_outs, holes, scores"),
        ({"scores": [{"x": 1, "y": 2}]}, "scores[0]: has x and y", "Give x of an upright line, or y of a level one"),
        ({"scores": [{}]}, "scores[0]: has nothing", "a score is straight"),
        ({"scores": [{"x": "left"}]}, "scores[0].x: is 'left'", "Write a number of mm"),
        ({"origin": "top"}, "origin: is 'top'", "lower left, centre, upper left"),
        ({"outline": 3}, "outline: is 3, not a table", "polygon, path"),
        ({"outline": {}}, "outline: has nothing", "exactly one of: polygon, path"),
        ({"outline": {"path": "M 0 0 H 1 V 1 Z", "polygon": []}}, "has path and polygon", "exactly one"),
        ({"outline": {"path": "M 0 0 H 5 V 5"}}, "starts at 0, 0 and ends open at 5, 5", "end it with Z"),
        ({"outline": {"path": "M0 0H5V5Z M7 7H8V8Z"}}, "outline.path: has 2 paths", "cut_outs"),
        ({"outline": {"polygon": [[0, 0], [1, 1]]}}, "outline.polygon: is [[0, 0], [1, 1]]", "three points"),
        ({"outline": {"polygon": [[0, 0], [1, 1], [2]]}}, "outline.polygon[2]: is [2]", "[x, y]"),
        ({"outline": {"polygon": [[0, 0], [1, 1], [0, "2"]]}}, "outline.polygon[2][1]: is '2'", "a number of mm"),
        ({"cut_outs": {}}, "cut_outs: is no list", "[[cut_outs]]"),
        ({"cut_outs": [{"circle": [1, 2]}]}, "cut_outs[0].circle: is [1, 2]", "[x, y, diameter]"),
        ({"cut_outs": [{"circle": [1, 2, 0]}]}, "cut_outs[0].circle[2]: is 0.0", "0.01"),
        ({"cut_outs": [{"slot": [1, 2, 1, 2, 3]}]}, "cut_outs[0].slot: ends where it starts", "two ends"),
        ({"holes": [HOLE, {**HOLE, "plated": "yes"}]}, "holes[1].plated: is 'yes'", "true or false"),
        ({"holes": [{**HOLE, "diameter": -1}]}, "holes[0].diameter: is -1", "from 0.01"),
        ({"holes": [{**HOLE, "x": 1e7}]}, "holes[0].x: is 10000000.0", "-2000 to 2000"),
        ({"holes": [{**HOLE, "to": [1, 2]}]}, "holes[0]: ends where it starts", "round hole"),
        *(
            ({"holes": [{key: value for key, value in HOLE.items() if key != left_out}]},
             f"holes[0].{left_out}: is missing", "Add it")
            for left_out in HOLE
        ),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_with_its_entry_and_mend(content: Any, what: str, mend: str) -> None:
    with pytest.raises(BoardError) as caught:
        read_board_file(json.dumps(content).encode(), file_name="mine.json")
    assert caught.value.what.startswith("mine.json: ") and what in caught.value.what
    assert mend in caught.value.mend


@pytest.mark.parametrize("data", [b"{", b"[outline", b"\xff", b"x" * (MAX_BYTES + 1), b'{"a":' * 5000])
def test_damaged_files_are_refused(data: bytes) -> None:
    with pytest.raises(BoardError, match=r"^mine: "):
        read_board_file(data, file_name="mine")
