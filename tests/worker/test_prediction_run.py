"""`maskwright fab predict`, as it is typed: from files and profiles, printed, written and saved, or refused."""

from __future__ import annotations

import csv
import importlib.util
import shutil
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from tests.boards import FABS
from worker.cli import main
from worker.engine.references.reference import finish_reference
from worker.fab_profile import read_fab_profile
from worker.profile_file import history
from worker.reading import Reading, Spectrum
from worker.reading_files import NamedReading, read_readings, write_csv

SAMPLES = FABS.parent
STACKS = SAMPLES / "readings" / "green-mask-stacks.csv"
PAIRS = ["--mask-over", "green-on-black=black", "--mask-over", "green-on-white=white"]


def script() -> ModuleType:
    """The script that makes the sample readings, and so knows the truth."""
    spec = importlib.util.spec_from_file_location("render_prediction", SAMPLES / "render_prediction.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    return Path(shutil.copy(FABS / "meadow-tin.toml", tmp_path / "my-fab.toml"))


def predict(profile: Path, *arguments: str) -> int:
    return main(["fab", "predict", str(profile), "--readings", str(STACKS), "--metal", "copper", *arguments])


def test_the_sample_readings_are_those_of_their_script() -> None:
    made = script()
    assert STACKS.read_bytes() == made.csv_file(made.known_samples())


@pytest.mark.parametrize(("ground", "model"), [("laminate", 2.0), ("copper", 4.0)])
def test_a_prediction_is_written_as_a_reading(
    profile: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], ground: str, model: float
) -> None:
    before = profile.read_bytes()
    assert predict(profile, *PAIRS, "--over", ground, "--out", str(tmp_path / "out.csv")) == 0
    said = capsys.readouterr().out
    assert f"predicted: the mask over {ground}; Kubelka-Munk" in said
    assert ("this is an estimate" in said) == (ground == "copper")
    assert f"bare metal: {'copper' if ground == 'copper' else 'none'}" in said
    (named,) = read_readings((tmp_path / "out.csv").read_bytes())
    reading = named.reading
    assert named.finish == f"mask over {ground}"
    assert (reading.origin, reading.grade, reading.geometry) == ("predicted", "predicted", "d:8 SCI")
    assert reading.uncertainty is not None and model <= reading.uncertainty < model + 0.5
    assert "green-on-black over black" in reading.source
    assert reading.spectrum is not None
    truth = script().masked(ground)
    assert np.array(reading.spectrum.values) == pytest.approx(truth, abs=0.006)  # five readings of 0.15 % noise
    assert profile.read_bytes() == before


def test_a_prediction_is_saved_in_the_profile(profile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = [*PAIRS, "--over", "copper", "--finish", "mask-copper", "--save", "--by", "Ada of the tests"]
    assert predict(profile, *call) == 0
    said = capsys.readouterr().out
    assert "now: Lab" in said and "predicted" in said
    finish = read_fab_profile(profile.read_bytes()).finish("mask-copper")
    assert [reading.origin for reading in finish.readings] == ["assumed", "predicted"]
    reference = finish_reference(finish)
    assert (reference.grade, reference.derivation) == ("predicted", "spectrum")
    assert reference.uncertainty == pytest.approx(finish.readings[1].uncertainty)
    (edit,) = history(profile)
    assert (edit.what, edit.by) == ("predicted mask-copper", "Ada of the tests")
    assert predict(profile, *PAIRS, "--over", "laminate", "--finish", "mask-copper", "--save") == 0
    assert "holds an earlier prediction, [1]" in capsys.readouterr().out


def test_finishes_of_the_profile_serve_as_samples(
    profile: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The mask over black and over copper, each as a finish: the recipe tells which is bare metal, and nobody need."""
    made = script()
    spectra = {
        "substrate": made.GROUNDS["black"],
        "mask": made.masked("black"),
        "tin": made.GROUNDS["copper"],
        "mask-copper": made.masked("copper"),
        "legend": made.GROUNDS["white"],
    }
    readings = [
        NamedReading(
            finish=finish,
            reading=Reading(
                spectrum=Spectrum(start_nm=400.0, step_nm=10.0, values=tuple(values.tolist())),
                geometry="d:8 SCI",
                origin="measured",
            ),
        )
        for finish, values in spectra.items()
    ]
    (tmp_path / "all.csv").write_bytes(write_csv(readings))
    assert main(["fab", "import", str(profile), str(tmp_path / "all.csv")]) == 0
    call = ["fab", "predict", str(profile), "--mask-over", "mask=substrate", "--mask-over", "mask-copper=tin"]
    assert main([*call, "--over", "legend", "--out", str(tmp_path / "out.csv")]) == 0
    assert "bare metal: tin" in capsys.readouterr().out
    (named,) = read_readings((tmp_path / "out.csv").read_bytes())
    assert named.reading.spectrum is not None
    assert np.array(named.reading.spectrum.values) == pytest.approx(made.masked("white"), abs=1e-4)


def test_a_clear_mask_from_one_ground(profile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert predict(profile, "--clear", "--mask-over", "green-on-white=white", "--over", "laminate") == 0
    said = capsys.readouterr().out
    assert "Beer-Lambert from green-on-white over white" in said
    assert "where it scatters light, this is wrong" in said


def test_conditions_change_the_printed_colour_alone(profile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = []
    for conditions in ("D65/2", "A/10"):
        assert predict(profile, *PAIRS, "--over", "laminate", "--conditions", conditions) == 0
        said.append(capsys.readouterr().out.splitlines())
    assert f"under {'A/10'}" in said[1][1]
    assert said[0][1] != said[1][1]
    assert said[0][3:7] == said[1][3:7]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--mask-over", "green-on-black=black", "--over", "laminate"], "over 1 ground"),
        (["--mask-over", "green-on-black", "--over", "laminate"], "Write MASKED=GROUND"),
        ([*PAIRS, "--over", "glass"], "no finish or sample 'glass'"),
        ([*PAIRS, "--over", "tin"], "tin has no measured spectrum"),
        ([*PAIRS, "--over", "laminate", "--geometry", "45:0"], "not all read in one geometry, 45:0"),
        ([*PAIRS, "--over", "laminate", "--save"], "--save comes without --finish"),
        ([*PAIRS, "--over", "laminate", "--finish", "gold"], "no finish 'gold'"),
        ([*PAIRS, "--over", "laminate", "--index", "3"], "--index is 3"),
        ([*PAIRS, "--over", "laminate", "--metal", "zinc"], "--metal names 'zinc'"),
        (["--mask-over", "copper=black", *PAIRS, "--over", "laminate"], "copper is bare metal, not a mask"),
        (
            ["--mask-over", "green-on-black=white", "--mask-over", "green-on-white=black", "--over", "laminate"],
            "No mask",
        ),
        ([*PAIRS, "--over", "laminate", "--readings", "absent.csv"], "absent.csv can't be read"),
        ([*PAIRS, "--over", "laminate", "--conditions", "noon"], "viewing_conditions is 'noon'"),
    ],
)
def test_what_can_not_be_asked_is_refused(
    profile: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    before = profile.read_bytes()
    assert predict(profile, *arguments) == 2
    assert said in capsys.readouterr().err
    assert profile.read_bytes() == before
    assert [path.name for path in profile.parent.iterdir()] == ["my-fab.toml"]


def test_an_existing_file_is_kept(profile: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "out.csv").write_text("mine")
    assert predict(profile, *PAIRS, "--over", "laminate", "--out", str(tmp_path / "out.csv")) == 2
    assert "exists" in capsys.readouterr().err
    assert (tmp_path / "out.csv").read_text() == "mine"


def rewritten(path: Path, change: dict[str, str]) -> Path:
    """The sample readings with geometries or names changed, by sample."""
    lines = STACKS.read_text(encoding="utf-8").splitlines()
    rows = list(csv.reader(lines[1:]))
    for row in rows[1:]:
        row[1] = change.get(row[0], row[1])
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
    return path


def test_one_sample_of_another_geometry_is_refused(
    profile: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stacks = rewritten(tmp_path / "stacks.csv", {"white": "45:0"})
    status = main(["fab", "predict", str(profile), "--readings", str(stacks), *PAIRS, "--over", "laminate"])
    assert status == 2
    assert "white: 45:0" in capsys.readouterr().err


def test_metal_without_its_mirror_is_refused(profile: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = ("black", "white", "laminate", "copper", "green-on-black", "green-on-white")
    stacks = rewritten(tmp_path / "stacks.csv", dict.fromkeys(names, "d:8 SCE"))
    call = ["fab", "predict", str(profile), "--readings", str(stacks), "--metal", "copper", *PAIRS, "--over", "copper"]
    assert main(call) == 2
    assert "copper is bare metal, read as d:8 SCE, without its mirror reflection" in capsys.readouterr().err


def test_a_name_of_file_and_profile_is_refused(
    profile: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = STACKS.read_text(encoding="utf-8").replace("\nlaminate,", "\nsubstrate,")
    (tmp_path / "stacks.csv").write_text(text, encoding="utf-8")
    call = ["fab", "predict", str(profile), "--readings", str(tmp_path / "stacks.csv"), *PAIRS, "--over", "substrate"]
    assert main(call) == 2
    assert "names a sample of a file and a finish" in capsys.readouterr().err
