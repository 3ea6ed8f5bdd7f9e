"""`maskwright plan` and `maskwright fab family`, as from the shell."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image

from worker import cli

ART = "samples/artworks/small-rover.bmp"
HERON = "samples/families/heron.toml"


def test_a_plan_says_which_board_and_writes_its_pictures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "plan"
    assert cli.main(["plan", ART, "--width", "30mm", "--fab", "samples/fabs", "--fab", HERON, "--out", str(out)]) == 0
    told = capsys.readouterr().out
    record = json.loads((out / "plan.json").read_text())
    boards = record["boards"]
    assert len(boards) == 11 and boards[0]["place"] == 1
    assert boards == sorted(boards, key=lambda one: one["expected_s_cielab"]["mean"])
    assert all(board["fab"]["id"] in told for board in boards)
    page = (out / "plan.html").read_text()
    for board in boards:
        with Image.open(out / f"boards/{board['fab']['id']}.png") as image:
            assert (
                abs(image.width / image.height - record["artwork"]["width_mm"] / record["artwork"]["height_mm"]) < 0.1
            )
        assert f"boards/{board['fab']['id']}.png" in page
        curve = board["finishes"]["best_by_number"]
        means = [step["ciede2000_mean"] for step in curve]
        assert means == sorted(means, reverse=True) and 1 <= board["finishes"]["needed"] <= len(means)
        assert sum(board["finishes"]["areas"].values()) == pytest.approx(1.0, abs=0.01)
    for advice in record["advice"]:
        assert (out / advice["picture"]).is_file() and advice["text"] in told
    assert record["settings"]["width"] == "30mm"
    assert cli.main(["plan", ART, "--width", "30mm", "--out", str(out)]) == 2  # nothing is overwritten


def test_an_svg_comes_back_as_a_drawing_in_board_colours(tmp_path: Path) -> None:
    out = tmp_path / "plan"
    assert (
        cli.main(["plan", "samples/artworks/orrery.svg", "--width", "20mm", "--fab", "alba-black", "--out", str(out)])
        == 0
    )
    assert (out / "recoloured.svg").read_bytes().count(b"#") > 5


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nothing.png", "--width", "30mm"], "nothing.png can't be read"),
        ([ART, "--width", "30mm", "--fab", "no-such"], "no-such"),
        ([ART, "--width", "40parsec"], "40parsec"),
        ([ART, "--width", "30mm", "--fab", "meadow-tin", "--fab", "meadow-tin"], "Two fab profiles"),
        ([ART, "--width", "30mm", "--fab", "tests/data"], "no .toml file"),
    ],
)
def test_what_is_wrong_is_said(arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["plan", *arguments]) == 2
    assert words in capsys.readouterr().err


def test_a_family_s_profiles_are_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "fabs"
    assert cli.main(["fab", "family", HERON, "--out", str(out)]) == 0
    assert len(list(out.glob("heron-*.toml"))) == 8 and "heron-red-gold" in capsys.readouterr().out
    assert cli.main(["fab", "check", str(out / "heron-red-gold.toml")]) == 0
    assert cli.main(["fab", "check", HERON]) == 1 and "fab family" in capsys.readouterr().err
