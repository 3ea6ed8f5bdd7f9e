"""`maskwright fab photograph` on the samples, as the README has it."""

from __future__ import annotations

import csv
import io
import subprocess
import sys
from pathlib import Path

import colour
import numpy as np
import pytest
from PIL import Image

from tests.boards import FABS
from tests.engine.references import sample_photographs as sample
from tests.engine.references.simulated_camera import WAVELENGTHS
from worker.cli import main
from worker.errors import PhotographError
from worker.fab_profile import read_fab_profile
from worker.photograph_run import _point, _shot
from worker.reading_files import ReadingDefaults, read_readings

FAB = FABS / "nocturne-gold.toml"
MAP = sample.FOLDER / "patch_map.json"
CROSSED, TENT = sample.FOLDER / "crossed.jpg", sample.FOLDER / "tent.jpg"


def call(*arguments: object) -> int:
    return main(["fab", "photograph", str(FAB), *map(str, arguments)])


def true_lab(finish: str) -> np.ndarray:
    """CIELAB D65/2 of a finish of the sample's board, by colour-science."""
    observer = "CIE 1931 2 Degree Standard Observer"
    sd = colour.SpectralDistribution(sample.spectra()[finish], WAVELENGTHS)
    xyz = colour.sd_to_XYZ(sd, colour.MSDS_CMFS[observer], colour.SDS_ILLUMINANTS["D65"], method="ASTM E308")
    return np.asarray(colour.XYZ_to_Lab(xyz / 100.0, colour.CCS_ILLUMINANTS[observer]["D65"]))


@pytest.mark.filterwarnings("ignore::colour.utilities.ColourRuntimeWarning")
def test_the_samples_give_their_boards_colours(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, proof = tmp_path / "readings.csv", tmp_path / "proof.png"
    status = call(CROSSED, "--second", TENT, "--map", MAP, "--out", out, "--proof", proof, "--batch", "B7")
    assert status == 0
    named = read_readings(out.read_bytes(), file_name="readings.csv", defaults=ReadingDefaults())
    assert {item.finish for item in named} == {finish.id for finish in read_fab_profile(FAB.read_bytes()).finishes}
    assert {(item.reading.origin, item.reading.batch, item.reading.date) for item in named} == {
        ("photo", "B7", "2026-11-25")
    }
    errors = [colour.delta_E(item.reading.lab, true_lab(item.finish), method="CIE 2000") for item in named]
    assert np.mean(errors) <= 1.5 and np.max(errors) <= 2.5
    said = capsys.readouterr().out
    assert "crossed.jpg: chart patches left out" in said and "tent.jpg: " in said and "warning" not in said
    for path in (proof, tmp_path / "proof-second.png"):
        assert Image.open(path).width <= 1600


def test_one_photograph_alone_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "readings.csv"
    assert call(TENT, "--map", MAP, "--out", out) == 0
    assert "warning: copper, gold: read from the one photograph" in capsys.readouterr().out
    rows = list(csv.DictReader(io.StringIO(out.read_text())))
    assert all(("one photograph only" in row["source"]) == (row["finish"] in ("copper", "gold")) for row in rows)


def test_nothing_is_written_over_nor_begun(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "readings.csv"
    out.write_text("mine")
    assert call(TENT, "--map", MAP, "--out", out) == 2
    assert out.read_text() == "mine" and "exists" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        ([TENT, "--map", FAB], "nocturne-gold.toml: it is no JSON"),
        (["gone.jpg", "--map", MAP], "gone.jpg can't be read"),
        ([FAB, "--map", MAP], "no known picture format"),
        ([TENT, "--map", MAP, "--second-corners", "1,1", "9,1", "9,9", "1,9"], "none is"),
        ([TENT, "--map", MAP, "--chart-corners", "1,1", "90,1", "90,90", "1,90"], "not where its corners say"),
    ],
    ids=["no map", "no file", "no picture", "no second", "wrong corners"],
)
def test_what_is_wrong_is_said_and_nothing_is_written(
    arguments: list[object], what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "readings.csv"
    assert call(*arguments, "--out", out) == 2
    assert what in capsys.readouterr().err
    assert not out.exists()


def test_a_corner_is_two_numbers() -> None:
    assert _point("12.5,9") == (12.5, 9.0)
    for text in ("12", "a,b", "1,2,3", ""):
        with pytest.raises(Exception, match="is no corner"):
            _point(text)


def test_a_folder_is_no_photograph(tmp_path: Path) -> None:
    with pytest.raises(PhotographError, match="can't be read"):
        _shot(tmp_path, None, None)


def test_the_samples_are_what_their_script_takes() -> None:
    """Within what another version of a JPEG encoder may move."""
    taken = sample.photograph("tent").encoded.astype(float)
    kept = np.asarray(Image.open(TENT), dtype=float)
    assert np.abs(kept - taken).mean() < 6.0
    assert all(path.stat().st_size < 300_000 for path in sample.FOLDER.iterdir())
    assert "Simulated" in Image.open(TENT).getexif()[0x010E]


def test_no_plotting_is_asked_for_on_the_command_line(tmp_path: Path) -> None:
    out = tmp_path / "readings.csv"
    command = [sys.executable, "-m", "worker", "fab", "photograph", FAB, TENT, "--map", MAP, "--out", out]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=sample.ROOT)
    assert (done.returncode, done.stderr) == (0, "")
