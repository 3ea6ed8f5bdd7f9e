"""`maskwright series`, as a person calls it."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from PIL import Image

from tests.moving_pictures import animated, flat_scene
from worker.cli import main
from worker.command_line import ALL_DONE, SOME_FAILED, WRONG_CALL
from worker.engine.report.report import report_schema
from worker.engine.report.series_report import series_schema
from worker.natural_order import natural_key

FAB = str(Path(__file__).parents[2] / "samples" / "fabs" / "meadow-tin.toml")
GIVEN = ["--fab", FAB, "--width", "12mm", "--pitch", "100um", "--edges", "threshold"]
SCENES = [flat_scene(x, 48) for x in (2, 12, 24)]


def labels(folder: Path) -> np.ndarray:
    return np.asarray(Image.open(folder / "labels.png"))


def test_an_animation(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = tmp_path / "walk.gif"
    source.write_bytes(animated(SCENES, "GIF", [80, 160, 240]))
    assert main(["series", str(source), *GIVEN, "--out", str(tmp_path / "out")]) == ALL_DONE
    result = tmp_path / "out" / "walk"
    report = json.loads((result / "report.json").read_text())
    jsonschema.validate(report, series_schema())
    assert [piece["milliseconds"] for piece in report["pieces"]] == [80, 160, 240]
    assert [piece["folder"] for piece in report["pieces"]] == ["pieces/01", "pieces/02", "pieces/03"]
    assert report["stillness"]["flickering_px"] == 0 and report["stillness"]["unchanged_px"] > 5000
    for piece in report["pieces"]:
        jsonschema.validate(json.loads((result / piece["folder"] / "report.json").read_text()), report_schema())
    for name in report["animations"]:
        with Image.open(result / name) as seen:
            assert seen.n_frames == 3
    assert "changed their finish" in capsys.readouterr().out
    # Asked again, it takes the place of what was there; a folder with anything else is never touched.
    assert main(["series", str(source), *GIVEN, "--rate", "10", "--out", str(tmp_path / "out")]) == ALL_DONE
    again = json.loads((result / "report.json").read_text())
    assert [piece["milliseconds"] for piece in again["pieces"]] == [100, 100, 100]
    (result / "letters").mkdir()
    assert main(["series", str(source), *GIVEN, "--out", str(tmp_path / "out")]) == WRONG_CALL


def test_numbered_files_in_the_order_that_people_count(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "frames"
    folder.mkdir()
    for name, scene in zip(("f2.png", "f10.png", "f1.png"), SCENES, strict=True):
        Image.fromarray(scene).save(folder / name)
    (folder / "f3.png").write_bytes(b"no picture")
    (folder / "notes.txt").write_text("no artwork")
    assert main(["series", str(folder), *GIVEN, "--out", str(tmp_path / "out")]) == SOME_FAILED
    report = json.loads((tmp_path / "out" / "frames" / "report.json").read_text())
    jsonschema.validate(report, series_schema())
    assert [piece["name"] for piece in report["pieces"]] == ["f1.png", "f2.png", "f3.png", "f10.png"]
    assert [piece["error"] is None for piece in report["pieces"]] == [True, True, False, True]
    assert "f3.png" in capsys.readouterr().err


def test_the_order_of_names() -> None:
    """As people count (common practice, no source)."""
    names = ["a10", "a2", "A1", "b", "2", "10", "a2b", "a002"]
    assert sorted(names, key=natural_key) == ["2", "10", "A1", "a002", "a2", "a2b", "a10", "b"]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--rate", "0"], "rate"),
        (["--rate", "fast"], "rate"),
        (["--still", "-1"], "still"),
        (["--bottom", "back.png"], "one side"),
    ],
)
def test_what_is_wrong_with_the_call(
    more: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["series", str(tmp_path), *GIVEN, *more, "--out", str(tmp_path / "out")]) == WRONG_CALL
    assert said in capsys.readouterr().err


def test_one_picture_is_no_series(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = tmp_path / "one.png"
    Image.fromarray(SCENES[0]).save(source)
    for given in (source, tmp_path):
        assert main(["series", str(given), *GIVEN, "--out", str(tmp_path / "out")]) == WRONG_CALL
    assert main(["series", str(tmp_path / "none.gif"), *GIVEN, "--out", str(tmp_path / "out")]) == WRONG_CALL
    told = capsys.readouterr().err
    assert "one frame" in told and "two artworks" in told and "no file or folder" in told
