"""Panel files: read from TOML and from JSON, and complained about by entry."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from worker.errors import PanelError
from worker.panel_file import KEYS, FiducialPlan, Rails, read_panel_file

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
(EXAMPLE,) = re.findall(r'```toml title="panel.toml"\n(.*?)```', README, re.DOTALL)
LEAST = "size = [50, 40]\n[[pieces]]\nresult = 'a'\n"


def test_the_example_of_the_readme_has_every_key() -> None:
    panel = read_panel_file(EXAMPLE.encode(), file_name="panel.toml")
    assert set(KEYS) - set(tomllib.loads(EXAMPLE)) == {"outline"}
    assert panel.rails == Rails(left=8, right=8, top=8, bottom=8) and panel.label == ""
    token, owl = panel.pieces
    assert token.turns == (0, 90, 180, 270)
    assert (token.kind, token.source, token.count) == ("result", "results/night-watch-token", 4)
    assert (owl.kind, owl.count, owl.turns, owl.settings["height"]) == ("artwork", None, (0, 180), "18mm")
    assert panel.fiducials == FiducialPlan(diameter=1, opening=2, count=3)
    assert panel.free[0][1] == ((8, 8), (92, 8), (92, 92), (8, 92))


def test_json_with_the_same_keys_is_the_same() -> None:
    toml, read = read_panel_file(EXAMPLE.encode()), read_panel_file(json.dumps(tomllib.loads(EXAMPLE)).encode())
    assert (read.pieces, read.rails, read.tabs, read.free) == (toml.pieces, toml.rails, toml.tabs, toml.free)
    assert read.sha256 != toml.sha256


def test_what_is_left_out() -> None:
    panel = read_panel_file(LEAST.encode())
    assert (panel.join, panel.spacing, panel.label, panel.fiducials, panel.tooling) == ("tabs", 2.4, None, None, None)
    assert panel.numbering.where == "none" and panel.pieces[0].count == 1
    assert read_panel_file(f"join = 'scores'\n{LEAST}".encode()).spacing == 0.0


@pytest.mark.parametrize("path", sorted((ROOT / "samples" / "panels").glob("*.toml")), ids=lambda path: path.name)
def test_the_samples_are_read(path: Path) -> None:
    if path.name == "card-edges.toml":
        return
    panel = read_panel_file(path.read_bytes(), file_name=path.name)
    for piece in panel.pieces:
        for name in (piece.source, piece.bottom, piece.board_file):
            assert (path.parent / name).exists()


@pytest.mark.parametrize(
    ("content", "what", "mend"),
    [
        ("size = [50, 40]", "pieces: is missing or empty", "[[pieces]]"),
        ("[[pieces]]\nresult = 'a'", "size and outline: are both missing", "size = [width, height]"),
        (f"{LEAST}job = 'b'", "pieces[0]: has result and job", "exactly one of: result, artwork, job, collection"),
        ("size = [50, 40]\n[[pieces]]\ncount = 2", "pieces[0]: has no source", "exactly one of"),
        (f"{LEAST}count = 0", "pieces[0].count: is 0", "from 1 to 2000"),
        (f"{LEAST}count = 'all'", "pieces[0].count: is 'all'", "whole number"),
        (f"{LEAST}turns = [45]", "pieces[0].turns: is 45", "0, 90, 180, 270"),
        (f"{LEAST}settings = {{ width = '2mm' }}", "pieces[0].settings: is {'width': '2mm'}", "beside an artwork"),
        (f"join = 'glue'\n{LEAST}", "join: is 'glue'", "tabs, scores, loose"),
        (f"spacing = -1\n{LEAST}", "spacing: is -1", "from 0 to 2000"),
        (f"colour = 'red'\n{LEAST}", "colour: is not a known key", "Known here: name, fab"),
        (f"{LEAST}[rails]\nall = 3\ntop = 4", "rails: has all and others", "one by one"),
        (f"{LEAST}[fiducials]\nopening = 0.5", "fiducials.opening: is 0.5", "from 1 to"),
        (f"{LEAST}[[free]]\ncircle = [1, 2]", "free[0].circle: is [1, 2]", "[x, y, diameter]"),
        (f"{LEAST}[[free]]\nslot = [1, 2, 3, 4, 5]", "free[0].slot: is not a known key", "rectangle, circle"),
        (f"{LEAST}[numbering]\nwhere = 'rim'", "numbering.where: is 'rim'", "back, front, none"),
        ("size = [50, 40", "syntax: ", "Mend the syntax"),
        (f"{LEAST}[[pieces]]\nresult = 'a'\ncount = 2000", "pieces: asks for 2,001 pieces", "at most 2,000"),
    ],
)
def test_a_complaint_names_the_entry_and_the_mend(content: str, what: str, mend: str) -> None:
    with pytest.raises(PanelError) as caught:
        read_panel_file(content.encode(), file_name="mine.toml")
    assert caught.value.what.startswith(f"mine.toml: {what}"), caught.value.what
    assert mend in caught.value.mend
