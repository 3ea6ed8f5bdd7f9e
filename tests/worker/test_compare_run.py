"""`maskwright compare` from the shell: its words, its exit status, its pictures, and files it must not trust."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.engine.fabrication.packages import blobs, package_of
from worker.cli import main
from worker.engine.report.change_picture import ADDED, KEPT, REMOVED

MADE = package_of(blobs(4, 160, fineness=8.0), pitch_um=50.0)


@pytest.fixture()
def package(tmp_path: Path) -> Path:
    folder = tmp_path / "result" / "fabrication"
    folder.mkdir(parents=True)
    for file in MADE.files:
        (folder / file.path).write_bytes(file.data)
    (folder / "READ ME FIRST.txt").write_text("hello")
    return tmp_path / "result"


def zipped(folder: Path, target: Path, **changed: bytes) -> Path:
    with zipfile.ZipFile(target, "w") as archive:
        for path in sorted(folder.iterdir()):
            archive.writestr(f"job/{path.name}", changed.get(path.name.replace("-", "_")[:-4], path.read_bytes()))
    return target


def without_a_region(data: bytes) -> bytes:
    begin = data.index(b"G36*")
    end = data.index(b"G37*\n", begin) + 5
    return data[:begin] + data[end:]


def test_the_same_package_is_unchanged(package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    back = zipped(package / "fabrication", tmp_path / "back.zip")
    assert main(["compare", str(package), str(back)]) == 0
    said = capsys.readouterr().out
    assert "Nothing has changed" in said
    assert "left aside, no layers: READ ME FIRST.txt" in said


def test_a_change_is_shown(package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    legend = (package / "fabrication" / "legend-top.gbr").read_bytes()
    back = zipped(package / "fabrication", tmp_path / "back.zip", legend_top=without_a_region(legend))
    assert main(["compare", str(package / "fabrication"), str(back), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().out
    assert "legend-top: 0 mm2 added" in said and "1 layer differs" in said and "1. removed" in said
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"legend-top.png", "changes.json"}
    record = json.loads((tmp_path / "out" / "changes.json").read_text())
    states = {layer["layer"]: layer["state"] for layer in record["layers"]}
    assert states["legend-top"] == "changed" and states["copper-top"] == "same"
    with Image.open(tmp_path / "out" / "legend-top.png") as picture:
        pixels = np.asarray(picture).reshape(-1, 3)
    shown = {colour: int((pixels == colour).all(axis=1).sum()) for colour in (ADDED, KEPT, REMOVED)}
    assert shown[REMOVED] > 100 and shown[KEPT] > 100 and shown[ADDED] == 0


def test_a_single_file_is_compared_alone_and_told_which(
    package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    legend = (package / "fabrication" / "legend-top.gbr").read_bytes()
    nameless = b"".join(
        line for line in legend.splitlines(keepends=True) if b"FileFunction" not in line and b"Legend" not in line
    )
    (tmp_path / "l.gbr").write_bytes(nameless)
    assert main(["compare", str(package), str(tmp_path / "l.gbr")]) == 2
    assert "--layer NAME=l.gbr" in capsys.readouterr().err
    assert main(["compare", str(package), str(tmp_path / "l.gbr"), "--layer", "legend-top=l.gbr"]) == 0
    assert "copper-top: not compared, no file was given" in capsys.readouterr().out


def test_what_the_reader_does_not_know_is_said(
    package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    legend = (package / "fabrication" / "legend-top.gbr").read_bytes()
    (tmp_path / "legend-top.gbr").write_bytes(legend.replace(b"%LPD*%", b"%LR45.0*%\n%LPD*%", 1))
    main(["compare", str(package), str(tmp_path / "legend-top.gbr")])
    said = capsys.readouterr().out
    assert "the reader says of legend-top.gbr, line" in said and "LR45.0" in said and "by eye" in said


def test_a_layer_that_did_not_come_back_differs(
    package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    back = tmp_path / "back"
    back.mkdir()
    (back / "copper.gbr").write_bytes((package / "fabrication" / "copper-top.gbr").read_bytes())
    assert main(["compare", str(package), str(back)]) == 1
    assert "legend-top: did not come back" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere.zip"], "nowhere.zip"),
        (["{back}", "--layer", "legend-top"], "--layer is"),
        (["{back}", "--pitch", "1um"], "pitch"),
    ],
)
def test_wrong_calls(
    package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    back = zipped(package / "fabrication", tmp_path / "back.zip")
    given = [argument.format(back=back) for argument in arguments]
    assert main(["compare", str(package), *given]) == 2
    assert said in capsys.readouterr().err


def test_an_archive_is_not_trusted(
    package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("worker.compare_run.MAX_BYTES", 1_000_000)
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../legend.gbr", b"0" * 2_000_000)
    assert main(["compare", str(package), str(bomb)]) == 2
    assert "holds more than" in capsys.readouterr().err
    damaged = tmp_path / "damaged.zip"
    data = bytearray(zipped(package / "fabrication", tmp_path / "good.zip").read_bytes())
    data[60:90] = b"\0" * 30
    damaged.write_bytes(data)
    assert main(["compare", str(package), str(damaged)]) == 2
    assert "can't be read" in capsys.readouterr().err
    assert not (tmp_path.parent / "legend.gbr").exists()


def test_files_of_one_name_must_be_the_same(package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for folder, text in (("a", b"one"), ("b", b"two")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "legend.gbr").write_bytes(text)
    assert main(["compare", str(package), str(tmp_path / "a"), str(tmp_path / "b")]) == 2
    assert "Two different files are named legend.gbr" in capsys.readouterr().err
