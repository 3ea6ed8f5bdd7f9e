"""The command line, run as a user runs it: in a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from PIL import Image

from tests.boards import FABS
from worker.cli import main
from worker.engine.report.report import report_schema
from worker.job_settings import SETTINGS
from worker.setting_options import option_of

ROOT = FABS.parent.parent
FAB = str(FABS / "meadow-tin.toml")


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder of colour tables for all runs of this module."""
    return tmp_path_factory.mktemp("cache")


def run(cache: Path, *arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "worker", *map(str, arguments)],
        capture_output=True,
        text=True,
        env=environment(cache),
        cwd=cwd or ROOT,
        check=False,
    )


def environment(cache: Path) -> dict[str, str]:
    return {**os.environ, "MASKWRIGHT_CACHE_DIR": str(cache), "PYTHONPATH": str(ROOT)}


def paint(path: Path, size: int = 64) -> Path:
    """A disc on a ground: two flat colours."""
    y, x = np.mgrid[:size, :size]
    disc = (x - size / 2) ** 2 + (y - size / 2) ** 2 < (size / 3) ** 2
    srgb = np.where(disc[..., None], (240, 240, 235), (20, 90, 50)).astype(np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(srgb).save(path)
    return path


def result_files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("command", [[], ["convert"], ["fab"], ["fab", "list"], ["fab", "check"], ["serve"], ["demo"]])
def test_every_command_has_help_with_examples(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main([*command, "--help"])
    assert caught.value.code == 0
    text = capsys.readouterr().out
    assert "example" in text
    assert " ".join(["maskwright", *command]) in text


@pytest.mark.parametrize("name", SETTINGS)
def test_the_help_of_convert_has_every_setting_by_its_name(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["convert", "--help"])
    text = capsys.readouterr().out
    assert f"{option_of(name)} " in text
    assert f"such as {SETTINGS[name][0]}" in " ".join(text.split())


def test_convert_writes_the_whole_output_layout(cache: Path, tmp_path: Path) -> None:
    art = paint(tmp_path / "moon.png")
    done = run(cache, "convert", art, "--fab", FAB, "--width", "10mm", "--pitch", "50um", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    out = tmp_path / "out" / "moon"
    report = json.loads((out / "report.json").read_text())
    jsonschema.validate(report, report_schema(), cls=jsonschema.Draft202012Validator)
    masks = {finish["mask"] for finish in report["finishes"]}
    assert result_files(out) == {
        "report.json",
        "labels.png",
        "preview.png",
        "thumbnail.png",
        "error.png",
        "comparison.png",
        "tuning.npz",
        *masks,
    }
    assert report["settings"]["width"] == "10mm"
    for finish in report["finishes"]:
        white = int(np.asarray(Image.open(out / finish["mask"]), dtype=bool).sum())
        assert white == finish["pixels"]
        assert finish["area_mm2"] == pytest.approx(white * 0.05**2)
    assert any(line.startswith("moon: 10.0 x 10.0 mm (0.39 x 0.39 in)") for line in done.stdout.splitlines())
    assert "\x1b" not in done.stdout


def test_a_folder_keeps_its_sub_folders_and_one_bad_artwork_stops_nothing(cache: Path, tmp_path: Path) -> None:
    paint(tmp_path / "art" / "a.png")
    paint(tmp_path / "art" / "night" / "b.png")
    (tmp_path / "art" / "bad.png").write_bytes(b"no picture at all")
    (tmp_path / "art" / "notes.txt").write_text("buy stamps")
    done = run(
        cache, "convert", tmp_path / "art", "--fab", FAB, "--width", "5mm", "--pitch", "50um", "--out", tmp_path / "out"
    )
    assert done.returncode == 1
    assert (tmp_path / "out" / "a" / "report.json").is_file()
    assert (tmp_path / "out" / "night" / "b" / "report.json").is_file()
    assert not (tmp_path / "out" / "bad").exists()
    assert "bad.png" in done.stderr
    assert "Traceback" not in done.stderr + done.stdout
    assert any("skipped" in line and "notes.txt" in line for line in done.stdout.splitlines())


def test_a_failure_leaves_the_earlier_result(cache: Path, tmp_path: Path) -> None:
    art = paint(tmp_path / "moon.png")
    call = ("convert", art, "--fab", FAB, "--width", "5mm", "--pitch", "50um", "--out", tmp_path / "out")
    assert run(cache, *call).returncode == 0
    before = {name: (tmp_path / "out" / name).read_bytes() for name in result_files(tmp_path / "out")}
    art.write_bytes(b"damaged")
    assert run(cache, *call).returncode == 1
    assert {name: (tmp_path / "out" / name).read_bytes() for name in result_files(tmp_path / "out")} == before


def test_the_same_call_gives_the_same_bytes_but_for_the_stages(cache: Path, tmp_path: Path) -> None:
    art = paint(tmp_path / "moon.png")
    for out in ("one", "two"):
        call = ("convert", art, "--fab", FAB, "--width", "5mm", "--pitch", "50um", "--out", tmp_path / out)
        assert run(cache, *call).returncode == 0
    names = result_files(tmp_path / "one")
    assert names == result_files(tmp_path / "two")
    for name in names - {"moon/report.json"}:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name
    reports = [json.loads((tmp_path / out / "moon" / "report.json").read_text()) for out in ("one", "two")]
    for report in reports:
        assert report.pop("stages")
    assert reports[0] == reports[1]


def test_the_comparison_in_full_size_on_request(cache: Path, tmp_path: Path) -> None:
    art = paint(tmp_path / "moon.png", 400)
    size = ("--width", "40mm", "--pitch", "40um", "--full-size")
    assert run(cache, "convert", art, "--fab", FAB, *size, "--out", tmp_path / "out").returncode == 0
    with Image.open(tmp_path / "out" / "moon" / "comparison.png") as comparison:
        assert comparison.width > 3 * 1000


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        (["--width", "sixty"], "width"),
        (["--fab", "no-such-fab"], "no-such-fab"),
        (["--edges", "soft"], "edges"),
        (["--forbid", "tin", "--pin", "#FFFFFF=tin"], "pin"),
    ],
)
def test_a_wrong_call_is_explained_with_no_traceback(
    changes: list[str], named: str, cache: Path, tmp_path: Path
) -> None:
    art = paint(tmp_path / "moon.png")
    done = run(cache, "convert", art, "--fab", FAB, "--width", "5mm", "--out", tmp_path / "out", *changes)
    assert done.returncode == 2
    assert named in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()


def test_an_override_that_can_not_apply_names_the_artwork(cache: Path, tmp_path: Path) -> None:
    art = paint(tmp_path / "moon.png")
    done = run(cache, "convert", art, "--fab", FAB, "--width", "5mm", "--out", tmp_path / "out", "--forbid", "velvet")
    assert done.returncode != 0
    assert "velvet" in done.stderr
    assert "Traceback" not in done.stderr


def _heed_interrupts() -> None:
    """What a shell starts in the background ignores them, and so does all that it starts."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_ctrl_c_stops_with_no_traceback_and_leaves_nothing_half_done(cache: Path, tmp_path: Path) -> None:
    for number in range(40):
        paint(tmp_path / "art" / f"{number:02}.png", 400)
    command = ["convert", tmp_path / "art", "--fab", FAB, "--width", "60mm", "--out", tmp_path / "out"]
    process = subprocess.Popen(
        [sys.executable, "-m", "worker", *map(str, command)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(cache),
        cwd=ROOT,
        preexec_fn=_heed_interrupts,
    )
    while process.poll() is None and not list((tmp_path / "out").glob("[0-9]*")):
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=240)
    assert process.returncode == 130, errors
    assert "Traceback" not in errors
    done = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert 0 < len(done) < 40
    assert [name for name in done if name.startswith(".")] == []
    assert all((tmp_path / "out" / name / "report.json").is_file() for name in done)


def test_fab_list_and_check(cache: Path, tmp_path: Path) -> None:
    listed = run(cache, "fab", "list")
    assert {line.split(":")[0] for line in listed.stdout.splitlines()} >= {path.stem for path in FABS.glob("*.toml")}
    assert run(cache, "fab", "check", FAB).returncode == 0
    (tmp_path / "mine.toml").write_text('id = "mine"\n')
    done = run(cache, "fab", "check", FAB, tmp_path / "mine.toml")
    assert done.returncode == 1
    assert "mine.toml: limits: is missing" in done.stderr
    assert "meadow-tin" in done.stdout


def test_a_reader_that_goes_away_is_no_error_message(cache: Path) -> None:
    command = f"{sys.executable} -m worker fab list | true"
    done = subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, env=environment(cache), cwd=ROOT, check=False
    )
    assert done.stderr == ""


def test_a_board_file_on_the_command_line(cache: Path, tmp_path: Path) -> None:
    art = paint(tmp_path / "token.png")
    holes = tmp_path / "holes.toml"
    holes.write_text("[[holes]]\nx = 5\ny = 8\ndiameter = 1\nplated = true\n")
    call = ["convert", art, "--fab", "alba-black", "--width", "10mm", "--pitch", "50um", "--board", "disc"]
    done = run(cache, *call, "--board-file", holes, "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    report = json.loads((tmp_path / "out" / "token" / "report.json").read_text())
    assert report["board"]["shape"] == "disc" and report["board"]["holes"][0]["y_mm"] == 8.0
    labels = np.asarray(Image.open(tmp_path / "out" / "token" / "labels.png"))
    assert labels[0, 0] == 255 and labels[40, 100] == 255 and labels[100, 100] != 255
    away = run(cache, *call, "--board-file", tmp_path / "none.toml", "--out", tmp_path / "other")
    assert away.returncode == 2 and "none.toml can't be read" in away.stderr
    holes.write_text("[[holes]]\nx = 0.5\ny = 0.5\ndiameter = 1\nplated = true\n")
    off = run(cache, *call, "--board-file", holes, "--out", tmp_path / "other")
    assert off.returncode == 1 and "holes[0]: it lies off the board" in off.stderr
