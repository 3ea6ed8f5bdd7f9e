"""`maskwright convert FOLDER`: a collection by the rules of the service, converted here."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from multiprocessing import active_children
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest
from PIL import Image

from tests.boards import FABS
from tests.engine.circuit.circuits import small_circuit
from tests.worker.rig import wait_for
from worker import collection_run
from worker.artwork_files import ArtworkFile
from worker.circuit_file import CircuitFile, GivenCircuit
from worker.collection_run import CollectionCall, convert_once
from worker.conversion import Means, Order, processes_for
from worker.conversion_processes import CRASHED, convert_beside_each_other
from worker.errors import ArtworkError, ManifestError, MaskwrightError
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings
from worker.settings import PROJECT
from worker.shell_environment import ShellEnvironment

FAB = FABS / "meadow-tin.toml"
COARSE = {"width": ("6mm",), "pitch": ("100um",)}
Call = Callable[..., int]


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


@pytest.fixture
def birds(tmp_path: Path) -> Path:
    folder = tmp_path / "birds"
    for number, name in enumerate(("owl.png", "owl.gif", "night/wren_4mm.png", "backs/wren.png")):
        paint(folder / name, number)
    (folder / "broken.png").write_bytes(b"no picture")
    (folder / "notes.txt").write_text("remember")
    return folder


@pytest.fixture
def convert(cache: Path, tmp_path: Path, birds: Path) -> Call:
    """Convert the folder into `tmp_path / "out"`; what differs from the plain call is named."""
    environment = ShellEnvironment(fabs_dir=FABS, cache_dir=cache, threads=1)

    def once(**changes: object) -> int:
        plain: dict[str, object] = {
            "artworks": [birds],
            "fab": str(FAB),
            "out": tmp_path / "out",
            "given": COARSE,
            "manifest": None,
            "bottom": None,
            "board_file": None,
            "full_size": False,
            "again": False,
            "processes": 1,
            "environment": environment,
            "console": None,
        }
        return convert_once(CollectionCall(**{**plain, **changes}))  # type: ignore[arg-type]

    return once


def test_all_artworks_lie_beside_one_circuit_and_are_made_anew_when_it_changes(
    convert: Call, birds: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (birds / "broken.png").unlink()
    said = {"net": "GND"}

    def circuit() -> GivenCircuit:
        return GivenCircuit(name="small", files=small_circuit(), said=replace(CircuitFile(), **said))  # type: ignore[arg-type]

    given = {"pitch": ("100um",), "edges": ("threshold",), "width": ("12mm",)}
    assert convert(circuit=circuit, given=given) == 0
    reports = [json.loads(path.read_bytes()) for path in (tmp_path / "out").rglob("*/report.json")]
    assert len(reports) == 4 and {report["circuit"]["net"] for report in reports} == {"GND"}
    assert {report["board"]["width_mm"] for report in reports} == {12.0}
    capsys.readouterr()
    assert convert(circuit=circuit, given=given) == 0
    assert "0 converted, 4 unchanged" in capsys.readouterr().out
    said["net"] = "LED"
    assert convert(circuit=circuit, given=given) == 0
    assert "4 converted, 0 unchanged" in capsys.readouterr().out


def paint(path: Path, number: int = 0) -> None:
    """A disc on a ground, of a size of its own."""
    y, x = np.mgrid[:48, :48]
    disc = (x - 24) ** 2 + (y - 24) ** 2 < (8 + 2 * number) ** 2
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.where(disc[..., None], (240, 240, 235), (20, 90, 50)).astype(np.uint8)).save(path)


def width(result: Path) -> float:
    report = json.loads((result / "report.json").read_text())
    return float(report.get("grid", report["board"])["width_mm"])


def test_a_folder_is_converted_as_the_service_would(
    convert: Call, birds: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    manifest = tmp_path / "m.toml"
    manifest.write_text(
        'edges = "threshold"\n[artworks."owl.png"]\nwidth = "5mm"\nbottom = "backs/wren.png"\n'
        '[artworks."owl.gif"]\nforbid = "gold"\n'
    )
    out = tmp_path / "out"
    assert convert(manifest=manifest) == 1
    told = capsys.readouterr()
    assert "2 converted, 0 unchanged, 2 not converted" in told.out and "no artwork: " in told.out
    assert "owl.gif: Setting forbid names finish 'gold'" in told.err and "broken.png: " in told.err
    assert "Save the artwork as PNG" in told.err
    assert width(out / "owl.png") == 5.0 and (out / "owl.png" / "bottom").is_dir()
    assert width(out / "night" / "wren_4mm") == 4.0, "its name says so"

    report = json.loads((out / "report.json").read_text())
    assert report["counts"] == {"done": 2, "failed": 1, "refused": 1} and report["skipped"] == ["notes.txt"]
    errors = [row["s_cielab"]["mean"] for row in report["artworks"][:2]]
    assert errors == sorted(errors, reverse=True) and [row["s_cielab"]["mean"] for row in report["worst"]] == errors
    assert all(row["fault"] and row["mend"] for row in report["artworks"][2:])
    page = (out / "report.html").read_text()
    links = re.findall(r'href="([^"]+)"', page)
    assert len(links) == 5 and all((out / unquote(link)).is_file() for link in links)
    assert all(name in page for name in ("owl.gif", "broken.png", "data:image/png;base64,"))
    with Image.open(out / "contact-sheet-1.png") as sheet:
        assert sheet.width > 2 * 176


def test_only_what_has_changed_is_converted_again(
    convert: Call, birds: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def counted(**changes: object) -> str:
        convert(**changes)
        return next(line for line in capsys.readouterr().out.splitlines() if " unchanged, " in line)

    for name in ("broken.png", "night/wren_4mm.png", "backs/wren.png"):
        (birds / name).unlink()
    out, fab = tmp_path / "out", tmp_path / "fab.toml"
    fab.write_bytes(FAB.read_bytes())
    assert counted(fab=str(fab)) == "2 converted, 0 unchanged, 0 not converted"
    os.utime(birds / "owl.gif")
    assert counted(fab=str(fab)) == "0 converted, 2 unchanged, 0 not converted"
    assert json.loads((out / "report.json").read_text())["reused"] == 2
    assert counted(fab=str(fab), given={**COARSE, "edges": ("dither",)}).startswith("2 converted")
    assert counted(fab=str(fab)).startswith("2 converted"), "the settings are others again"
    paint(birds / "owl.png", 5)
    assert counted(fab=str(fab)).startswith("1 converted, 1 unchanged")
    (out / "owl.gif" / "preview.png").unlink()
    assert counted(fab=str(fab)).startswith("1 converted, 1 unchanged"), "a part of one result was gone"
    fab.write_text(FAB.read_text().replace("[91.0", "[90.0", 1) + "\n# another batch\n")
    assert counted(fab=str(fab)).startswith("2 converted"), "another revision of the fab"
    monkeypatch.setattr(collection_run, "program_revision", lambda: "a newer one")
    assert counted(fab=str(fab)).startswith("2 converted"), "another revision of the program"
    assert counted(fab=str(fab), again=True).startswith("2 converted")
    assert counted(fab=str(fab), full_size=True).startswith("2 converted")
    shared = {**COARSE, "palette": ("shared",)}
    assert counted(fab=str(fab), given=shared).startswith("2 converted")
    assert counted(fab=str(fab), given=shared).startswith("0 converted, 2 unchanged")
    paint(birds / "owl.png", 6)
    assert counted(fab=str(fab), given=shared).startswith("2 converted"), "the palette of all is another one"
    assert json.loads((out / "owl.gif" / "report.json").read_text())["palette"]["artworks"] == 2


def test_bottoms_and_a_board_for_all(convert: Call, birds: Path, tmp_path: Path) -> None:
    board = tmp_path / "board.toml"
    board.write_text('origin = "centre"\n[[holes]]\nx = 0\ny = 0\ndiameter = 1\nplated = false\n')
    (birds / "broken.png").unlink()
    (birds / "owl.gif").unlink()
    paint(birds / "backs" / "owl.png", 3)
    (birds / "backs" / "wren.png").unlink()
    assert convert(bottom=birds / "backs", board_file=board) == 0
    assert (tmp_path / "out" / "owl" / "views").is_dir()
    report = json.loads((tmp_path / "out" / "night" / "wren_4mm" / "report.json").read_text())
    assert len(report["board"]["holes"]) == 1


def test_what_is_wrong_with_all_is_said_at_once(convert: Call, birds: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "m.csv"
    wrong.write_text("artwork,width\nowl.jpg,5mm\n")
    with pytest.raises(ManifestError, match=r"row 2.*owl\.jpg"):
        convert(manifest=wrong)
    with pytest.raises(ManifestError, match=r"gone\.csv can't be read"):
        convert(manifest=tmp_path / "gone.csv")
    with pytest.raises(MaskwrightError, match="velvet"):
        convert(given={**COARSE, "forbid": ("velvet",)})
    shutil.rmtree(birds)
    birds.mkdir()
    with pytest.raises(ArtworkError, match="No artwork"):
        convert()
    assert not (tmp_path / "out").exists()


def test_a_process_that_is_killed_takes_its_artwork_with_it_and_no_other(cache: Path, tmp_path: Path) -> None:
    """The first artwork is a pipe that nobody writes to: whoever opens it is killed there."""
    names = ["stuck.png", *(f"{number}.png" for number in range(3))]
    os.mkfifo(tmp_path / names[0])
    for number, name in enumerate(names[1:]):
        paint(tmp_path / name, number)
    settings = read_settings({"width": "6mm", "pitch": "100um"})
    orders = [
        Order(artwork=ArtworkFile(path=tmp_path / name, result=Path(name[:-4])), settings=settings) for name in names
    ]
    means = Means(
        fab=read_fab_profile(FAB.read_bytes()), out=tmp_path / "out", full_size=False, tables=cache, threads=1
    )
    outcomes = {}
    for number, outcome in convert_beside_each_other(orders, means, 2, lambda *_: None):
        outcomes[number] = outcome
        if len(outcomes) == 3:
            stuck = [child for child in active_children() if child.pid is not None]
            assert stuck and stuck[0].pid is not None
            os.kill(min(child.pid for child in stuck if child.pid), signal.SIGKILL)
    assert outcomes[0] is CRASHED
    assert all((tmp_path / "out" / name[:-4] / "report.json").is_file() for name in names[1:])
    assert not active_children()


def test_as_many_processes_as_pay() -> None:
    assert [processes_for(artworks, 8) for artworks in (1, 5, 6, 9, 5000)] == [1, 1, 2, 3, 4]
    assert processes_for(5000, 2) == 2 and processes_for(0, 2) == 1


def test_a_watched_folder_is_converted_when_it_changes(cache: Path, birds: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "worker", "convert", birds, "--fab", FAB, "--width", "6mm", "--pitch", "100um"]
    said = tmp_path / "said"
    with said.open("w") as told:
        watching = subprocess.Popen(
            [*map(str, command), "--out", str(tmp_path / "out"), "--watch"],
            stdout=told,
            stderr=subprocess.STDOUT,
            env={**os.environ, "MASKWRIGHT_CACHE_DIR": str(cache)},
            cwd=PROJECT,
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )
    try:
        wait_for(lambda: "4 converted, 0 unchanged, 1 not converted" in said.read_text(), 120.0)
        paint(birds / "new.png", 4)
        (birds / "broken.png").unlink()
        wait_for(lambda: "1 converted, 4 unchanged, 0 not converted" in said.read_text(), 120.0)
        watching.send_signal(signal.SIGINT)
        assert watching.wait(30) == 130
    finally:
        watching.kill()
        watching.wait()
    assert "Traceback" not in said.read_text()
    assert "broken.png" not in (tmp_path / "out" / "report.html").read_text()
