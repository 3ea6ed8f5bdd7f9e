"""`maskwright panel`: results from folders and archives, in the order of a series, and what goes wrong."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import pytest
from PIL import Image, ImageDraw

from worker.cli import main
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings
from worker.natural_order import natural_key
from worker.result_folder import replace_result
from worker.settings import PROJECT
from worker.table_folder import TableFolder

FAB = "nocturne-gold"
SETTINGS = {"width": "9mm", "height": "6mm", "pitch": "50um", "fabrication": "on", "edges": "threshold"}


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory, table_folder: Path) -> Path:
    """A folder of two results, frame-2 and frame-10, and the second as an archive beside it."""
    from worker.engine.pipeline import convert

    folder = tmp_path_factory.mktemp("series")
    fab = read_fab_profile((PROJECT / "samples" / "fabs" / f"{FAB}.toml").read_bytes())
    for name, at in (("frame-10", 20), ("frame-2", 50)):
        picture = Image.new("RGB", (90, 60), "#101010")
        ImageDraw.Draw(picture).rectangle((at, 20, at + 20, 40), fill="#f0f0f0")
        data = io.BytesIO()
        picture.save(data, "PNG")
        data.seek(0)
        made = convert(data, fab, read_settings(SETTINGS), name=f"{name}.png", tables=TableFolder(table_folder))
        replace_result(folder / "frames" / name, made.files())
    with zipfile.ZipFile(folder / "frame.zip", "w") as archive:
        for path in sorted((folder / "frames" / "frame-10").rglob("*")):
            archive.write(path, path.relative_to(folder / "frames" / "frame-10"))
    return folder


def panel_of(folder: Path, pieces: str, **keys: object) -> Path:
    said = {"fab": FAB, "size": [44, 40], "join": "scores", **keys}
    path = folder / "panel.toml"
    path.write_text("".join(f"{key} = {json.dumps(value)}\n" for key, value in said.items()) + pieces)
    return path


def test_a_series_is_numbered_in_the_order_of_names(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pieces = "[[pieces]]\nresult = 'frames'\nturns = [0]\n[[pieces]]\nresult = 'frame.zip'\nturns = [0]\ncount = 2\n"
    out = results / "out"
    assert main(["panel", str(panel_of(results, pieces)), "--out", str(out)]) == 0
    report = json.loads((out / "report.json").read_bytes())
    names = [(one["number"], one["piece"]) for one in report["pieces"]]
    assert names == [(1, "frames/frame-2"), (2, "frames/frame-10"), (3, "frame.zip"), (4, "frame.zip")]
    told = capsys.readouterr().out
    assert "44 x 40 mm, 4 pieces" in told and "limits: " in told and "no pixel differs" in told
    assert main(["panel", str(panel_of(results, pieces)), "--out", str(out)]) == 2
    assert "exists" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("pieces", "keys", "said"),
    [
        ("[[pieces]]\nresult = 'nothing'\n", {}, "panel.toml: pieces[0]: there is no result at"),
        ("[[pieces]]\nresult = 'frames/frame-2/masks'\n", {}, "is no result, and holds none"),
        ("[[pieces]]\nartwork = 'gone.png'\n", {}, "gone.png can't be read"),
        ("[[pieces]]\njob = 'abc'\n", {}, "pieces[0]: a job is of a service"),
        ("[[pieces]]\nresult = 'frames'\n", {"fab": ""}, "fab is missing"),
        ("[[pieces]]\nresult = 'frames'\n", {"fab": "alba-black"}, "was made for fab profile nocturne-gold"),
        ("[[pieces]]\nresult = 'broken.zip'\n", {}, "can't be read"),
    ],
)
def test_what_goes_wrong_is_said(
    results: Path, pieces: str, keys: dict[str, object], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = (results / "frame.zip").read_bytes()
    at = whole.index(b"report.json") + 40
    (results / "broken.zip").write_bytes(whole[:at] + b"damage" + whole[at + 6 :])
    assert main(["panel", str(panel_of(results, pieces, **keys)), "--out", str(results / "never")]) == 2
    assert said in capsys.readouterr().err
    assert not (results / "never").exists()


def test_numbers_in_names_count_by_their_value() -> None:
    assert sorted(["a10", "a9", "b1", "a"], key=natural_key) == ["a", "a9", "a10", "b1"]
