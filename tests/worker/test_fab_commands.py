"""The fab commands as a user types them: import, export, show, compare, edit, go back."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.boards import FABS
from worker.cli import main
from worker.fab_profile import read_fab_profile
from worker.reading_files import read_readings

READINGS = FABS.parent / "readings"
CSV, CGATS = READINGS / "alba-black.csv", READINGS / "alba-black-batch-b.txt"
NAMED = ["--sample", "white field=mask", "--sample", "black print=legend", "--sample", "bare board=substrate"]
GOLD = ["--lab", "71.2,4.1,28.7", "--illuminant", "D50", "--observer", "2", "--origin", "measured"]

Said = Callable[..., str]
"""Runs a command line; what it printed."""


@pytest.fixture
def fab(tmp_path: Path) -> Path:
    return Path(shutil.copy(FABS / "alba-black.toml", tmp_path / "my-fab.toml"))


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Said:
    def run(*arguments: object, status: int = 0) -> str:
        assert main([str(argument) for argument in arguments]) == status
        shown = capsys.readouterr()
        return shown.err if status else shown.out

    return run


def test_import_adds_readings_and_says_what_moved(fab: Path, said: Said) -> None:
    text = said("fab", "import", fab, CSV, "--by", "ann")
    assert "gold: 3 readings added" in text
    assert "spectral; from spectra; d:8 SCI; 3 readings" in text
    assert "moved by CIEDE2000" in text
    profile = read_fab_profile(fab.read_bytes())
    wanted = [each.reading for each in read_readings(CSV.read_bytes()) if each.finish == "gold"]
    assert list(profile.finish("gold").readings[1:]) == wanted
    assert fab.read_text().count("#") == (FABS / "alba-black.toml").read_text().count("#")


def test_a_second_import_of_a_file_adds_nothing(fab: Path, said: Said) -> None:
    said("fab", "import", fab, CSV)
    before = fab.read_bytes()
    text = said("fab", "import", fab, CSV)
    assert "gold: 0 readings added; 3 left out, which it holds already" in text
    assert "nothing changed" in text
    assert fab.read_bytes() == before


def test_samples_are_named_and_a_stranger_changes_nothing(fab: Path, said: Said) -> None:
    before = fab.read_bytes()
    text = said("fab", "import", fab, CSV, CGATS, status=2)
    assert "line 18: sample 'white field' is no finish of the profile" in text
    assert "The finishes are: mask, legend, gold, substrate" in text
    assert fab.read_bytes() == before
    said("fab", "import", fab, CSV, CGATS, *NAMED)
    profile = read_fab_profile(fab.read_bytes())
    assert [len(profile.finish(name).readings) for name in ("mask", "legend", "gold", "substrate")] == [6, 6, 4, 6]
    assert profile.finish("mask").readings[-1].lab == (90.57, -0.66, 3.02)
    text = said("fab", "import", fab, CGATS, *NAMED, "--sample", "no such=gold", status=2)
    assert "No file has a sample 'no such'" in text


@pytest.mark.parametrize(
    ("content", "options", "what"),
    [
        (b"wavelength,gold\n400,40\n", [], "is 40, and white is 1"),
        (b"finish,L*,a*,b*\ngold,71,4,29\n", [], "has a Lab without illuminant, observer, geometry, origin"),
        (b"<CxF><!DOCTYPE x></CxF>", [], "declares a document type"),
        (b"\x00", [], "holds a zero byte"),
        (b"finish,L*,a*,b*\ngold,71,4,29\n", ["--sample", "gold"], "--sample is 'gold'"),
        (b"finish,L*,a*,b*\ngold,71,4,29\n", ["--sample", "a=gold", "--sample", "a=mask"], "names 'a' twice"),
    ],
)
def test_a_file_that_is_refused_changes_nothing(
    fab: Path, tmp_path: Path, said: Said, content: bytes, options: list[str], what: str
) -> None:
    file = tmp_path / "readings.csv"
    file.write_bytes(content)
    before = fab.read_bytes()
    assert what in said("fab", "import", fab, file, *options, status=2)
    assert fab.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["my-fab.toml", "readings.csv"]


@pytest.mark.parametrize("form", ["csv", "cgats"])
def test_what_is_exported_imports_the_same(fab: Path, tmp_path: Path, said: Said, form: str) -> None:
    said("fab", "import", fab, CSV, CGATS, *NAMED)
    file = tmp_path / "all.txt"
    assert "22 readings" in said("fab", "export", fab, "--format", form, "--out", file)
    profile = read_fab_profile(fab.read_bytes())
    held = [(finish.id, reading) for finish in profile.finishes for reading in finish.readings]
    assert [(each.finish, each.reading) for each in read_readings(file.read_bytes())] == held
    text = said("fab", "export", fab, "--out", file, status=2)
    assert f"{file} exists" in text
    assert said("fab", "export", fab, "--finish", "gold", "--out", "-").count("\ngold,") == 4
    assert "There is no finish 'golf'" in said("fab", "export", fab, "--finish", "golf", "--out", "-", status=2)


def test_show_names_references_readings_and_what_is_set_aside(fab: Path, said: Said) -> None:
    said("fab", "import", fab, CSV)
    text = said("fab", "show", fab, "--conditions", "D50/2")
    assert "references under D50/2" in text
    assert text.count("spectral; from spectra") == 4
    assert "[0] Lab 71, 4.2, 29; D65/2; d:8 SCI; assumed" in text
    assert "(set aside: it is assumed, and spectral readings are there)" in text
    assert "D51/2" in said("fab", "show", fab, "--conditions", "D51/2", status=2)


def test_a_gold_that_is_not_golden_is_a_warning_and_no_fault(fab: Path, said: Said) -> None:
    """Johnson and Christy's gold has hue 82 degree (worker/engine/references/plausibility.py)."""
    said("fab", "override", fab, "gold", "--lab", "70,-20,5", "--illuminant", "D65", "--observer", "2")
    assert "warning: Finish gold shows gold" in said("fab", "check", fab)
    assert "warning: Finish gold shows gold" in said("fab", "show", fab)


def test_check_fails_where_a_reference_can_not_be_derived(fab: Path, said: Said) -> None:
    for geometry in ("45/0", "d:8 SCI"):
        said("fab", "readings", "add", fab, "gold", *GOLD, "--geometry", geometry)
    assert "several geometries: 45:0, d:8 SCI" in said("fab", "check", fab, status=1)
    assert "now: Lab" in said("fab", "geometry", fab, "gold", "d/8 SCI")
    said("fab", "check", fab)
    assert "now: none" in said("fab", "geometry", fab, "gold", "--clear")
    assert "has no reading of geometry 'photo'" in said("fab", "geometry", fab, "gold", "photo", status=2)


def test_readings_are_listed_added_and_dropped(fab: Path, said: Said) -> None:
    said("fab", "readings", "add", fab, "gold", *GOLD, "--geometry", "d/8 SCI", "--batch", "7")
    text = said("fab", "readings", "list", fab, "gold")
    assert text.splitlines()[2] == "  [1] Lab 71.2, 4.1, 28.7; D50/2; d:8 SCI; measured; batch 7"
    said("fab", "readings", "drop", fab, "gold", 0)
    assert "[1]" not in said("fab", "readings", "list", fab, "gold")
    assert "one reading only" in said("fab", "readings", "drop", fab, "gold", 0, status=2)
    assert "mask:" in said("fab", "readings", "list", fab)


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (
            ["readings", "add", "FAB", "gold", "--lab", "1,2,3", "--geometry", "45:0"],
            "without illuminant, observer, origin",
        ),
        (["readings", "add", "FAB", "gold", "--lab", "71,4", "--geometry", "45:0"], "--lab is '71,4'"),
        (["readings", "add", "FAB", "gold", "--xyz", "1,2,x"], "--xyz: is 'x', not a number"),
        (["readings", "list", "FAB", "golf"], "There is no finish 'golf'"),
        (["override", "FAB", "gold", "--lab", "1,2,3"], "--lab comes without --illuminant and --observer"),
        (["override", "FAB", "gold", "--clear"], "gold has no reference set by hand"),
        (["import", "FAB", "no-such.csv"], "no-such.csv can't be read"),
        (["import", "no-such-fab", "no-such.csv"], "No fab profile 'no-such-fab' is installed"),
        (["restore", "FAB", "ffff"], "has no revision 'ffff'"),
        (["diff", "FAB@ffff", "FAB"], "has no revision 'ffff'"),
    ],
)
def test_a_wrong_call_says_what_to_mend(fab: Path, said: Said, arguments: list[str], what: str) -> None:
    before = fab.read_bytes()
    words = [argument.replace("FAB", str(fab)) for argument in arguments]
    assert what in said("fab", *words, status=2)
    assert fab.read_bytes() == before


def test_an_override_and_the_way_back(fab: Path, said: Said) -> None:
    first = read_fab_profile(fab.read_bytes()).revision
    said("fab", "override", fab, "gold", "--lab", "70,4,28", "--illuminant", "d65", "--observer", "2", "--by", "ann")
    override = read_fab_profile(fab.read_bytes()).finish("gold").override
    assert override is not None
    assert (override.lab, override.by, len(override.date)) == ((70.0, 4.0, 28.0), "ann", 10)
    assert "set by hand" in said("fab", "show", fab)
    said("fab", "override", fab, "gold", "--clear", "--by", "bo")
    assert fab.read_bytes() == (FABS / "alba-black.toml").read_bytes()
    lines = said("fab", "history", fab).splitlines()
    assert lines[0] == f"{fab}: now at revision {first}"
    assert "bo: took back the override of gold" in lines[1]
    assert "ann: set the reference of gold by hand" in lines[2]


def test_diff_and_restore_by_revision(fab: Path, said: Said) -> None:
    first = read_fab_profile(fab.read_bytes()).revision
    said("fab", "import", fab, CSV)
    second = read_fab_profile(fab.read_bytes()).revision
    text = said("fab", "diff", first[:6], fab)
    assert text.count("reading added: spectrum 400-700 nm") == 12
    assert "moved by CIEDE2000" in text
    assert said("fab", "diff", f"{fab}@{first[:6]}", f"{fab}@{second}") == text
    assert "reading dropped" in said("fab", "diff", fab, "alba-black")
    said("fab", "restore", fab, first[:6])
    assert fab.read_bytes() == (FABS / "alba-black.toml").read_bytes()
    assert "no differences" in said("fab", "diff", fab, "alba-black")
    fab.write_bytes(fab.read_bytes() + b"# by hand\n")
    assert "but in layout or comments" in said("fab", "diff", fab, "alba-black")
    assert "edited by hand" in said("fab", "history", fab)


def test_the_move_of_a_reference_is_ciede2000_of_its_two_labs(fab: Path, said: Said) -> None:
    """A pair of Sharma, Wu and Dalal 2005 (tests/data/ciede2000_sharma_2005.csv): 50, 2.5, 0 and 73, 25, -18."""
    for lab in ("50,2.5,0", "73,25,-18"):
        text = said("fab", "override", fab, "mask", "--lab", lab, "--illuminant", "D65", "--observer", "2")
    assert "moved by CIEDE2000 27.15" in text


def commands_of_the_readme() -> list[list[str]]:
    """The commands of the sections on import and tuning, in their order."""
    readme = (FABS.parents[1] / "README.md").read_text(encoding="utf-8")
    part = readme[readme.index("### Import and export") : readme.index("### From a photograph")]
    blocks = "".join(re.findall(r"```sh\n(.*?)```", part, re.DOTALL)).replace("\\\n", " ")
    return [shlex.split(line, comments=True) for line in blocks.splitlines() if line.startswith(("maskwright", "cp "))]


def test_the_commands_of_the_readme_run_as_they_stand(
    tmp_path: Path, said: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "samples").symlink_to(FABS.parent)
    first = read_fab_profile((FABS / "alba-black.toml").read_bytes()).revision[:8]
    commands = commands_of_the_readme()
    assert len(commands) >= 15
    for program, *words in commands:
        if program == "cp":
            shutil.copy(*words)
        else:
            said(*(first if re.fullmatch(r"[0-9a-f]{8}", word) else word for word in words))
    assert (tmp_path / "my-fab.toml").read_bytes() == (FABS / "alba-black.toml").read_bytes()
