"""The rules of the house that no linter sees: what loads what, and that everything a user meets is documented."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import worker.errors
from worker.engine.report.report import report_schema
from worker.errors import MaskwrightError
from worker.fab_profile import FINISH_KEYS, KEYS, LIMITS, READING_KEYS, RECIPE_KEYS, STACK_UP
from worker.job_settings import SETTINGS
from worker.settings import rows

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
NOTICE = (ROOT / "NOTICE").read_text(encoding="utf-8")
LOCK = (ROOT / "requirements.lock").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

HEAVY = ("numpy", "scipy", "sklearn", "numba", "llvmlite", "colour", "PIL", "pyvips", "isal")
SERVER = ("celery", "kombu", "redis", "fastapi", "starlette", "uvicorn", "sqlalchemy", "alembic", "obstore", "pydantic")


def loaded_by(statement: str) -> set[str]:
    """Top-level modules that a fresh interpreter has loaded after a statement."""
    code = f"import sys\n{statement}\nprint(*sorted({{name.partition('.')[0] for name in sys.modules}}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    ("statement", "barred"),
    [
        ("import worker.engine.pipeline", SERVER),
        ("import service.app", HEAVY),
        ("import worker.cli", (*HEAVY, *SERVER, "rich")),
        ("import worker.tasks", HEAVY),
        ("import worker.errors, worker.finish, worker.fab_profile, worker.job_settings, worker.job", (*HEAVY, *SERVER)),
    ],
)
def test_what_a_room_may_not_load(statement: str, barred: tuple[str, ...]) -> None:
    assert loaded_by(statement) & set(barred) == set()


def test_the_help_of_the_command_line_loads_next_to_nothing() -> None:
    statement = "import worker.cli\ntry: worker.cli.main(['convert', '--help'])\nexcept SystemExit: pass"
    code = f"import sys, io, contextlib\nwith contextlib.redirect_stdout(io.StringIO()):\n    exec({statement!r})\n"
    assert loaded_by(code) & {*HEAVY, *SERVER, "rich"} == set()


def table_row(name: str) -> str:
    """The README's row of this name."""
    found = re.search(rf"^\| `{re.escape(name)}` \|.*$", README, re.MULTILINE)
    assert found, f"README.md has no table row for `{name}`"
    return found[0]


@pytest.mark.parametrize("name", SETTINGS)
def test_every_setting_is_documented(name: str) -> None:
    example, default, _ = SETTINGS[name]
    row = table_row(name)
    assert f"`{example}`" in row
    assert not default or f"`{default}`" in row
    assert name in report_schema()["properties"]["settings"]["properties"]


def test_the_schema_knows_no_other_setting() -> None:
    assert set(report_schema()["properties"]["settings"]["properties"]) == set(SETTINGS)


@pytest.mark.parametrize("row", rows(), ids=lambda row: row.name)
def test_every_variable_of_the_environment_is_documented(row: object) -> None:
    name, default = row.name, row.default  # type: ignore[attr-defined]
    assert not default or f"`{default}`" in table_row(name)


PROFILE_FIELDS = [
    *(key for key in KEYS if key not in ("stack_up", "limits", "finishes")),
    *(f"stack_up.{key}" for key in STACK_UP),
    *(f"limits.{section}.{key}" for section, known in LIMITS.items() for key in known),
    *(f"finishes.{key}" for key in FINISH_KEYS if key not in ("recipe", "readings", "override")),
    *(f"finishes.recipe.{key}" for key in RECIPE_KEYS),
    *(f"finishes.readings.{key}" for key in READING_KEYS),
]


@pytest.mark.parametrize("field", PROFILE_FIELDS)
def test_every_field_of_a_fab_profile_is_documented(field: str) -> None:
    assert len(table_row(field)) > len(field) + 12


def test_every_route_is_documented() -> None:
    from service.app import app

    routes = {f"{method.upper()} {path}" for path, item in app.openapi()["paths"].items() for method in item}
    assert len(routes) >= 12
    for route in routes:
        table_row(route)


def test_every_error_stands_in_the_tree_and_has_a_code_of_its_own() -> None:
    errors = [kind for kind in vars(worker.errors).values() if isinstance(kind, type)]
    errors = [kind for kind in errors if issubclass(kind, MaskwrightError)]
    assert len({kind.code for kind in errors}) == len(errors)
    for kind in errors:
        assert kind.__doc__
        assert kind.__name__ in (worker.errors.__doc__ or "")


def test_every_task_that_is_sent_is_registered() -> None:
    from worker.broker import WORK

    code = f"import worker.process as p\nprint({WORK!r} in p.app.tasks)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.split()[-1] == "True"


def test_every_make_target_of_the_readme_exists() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z]+):", makefile, re.MULTILINE))
    named = set(re.findall(r"`make ([a-z]+)", README + DEVELOPERS))
    assert {"demo", "test", "serve", "setup", "check", "bench", "lock"} <= named
    assert named <= targets


def test_the_command_of_the_readme_is_the_one_that_ci_runs() -> None:
    assert "make test" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def dependencies() -> list[str]:
    extra = PROJECT["project"]["optional-dependencies"]["dev"]
    return [re.split(r"[\s\[<>=;]", line)[0].lower() for line in [*PROJECT["project"]["dependencies"], *extra]]


@pytest.mark.parametrize("name", dependencies())
def test_every_dependency_is_in_the_notice_with_its_licence(name: str) -> None:
    line = next((line for line in NOTICE.splitlines() if line.strip().lower().startswith(f"{name} ")), "")
    assert re.search(r"MIT|BSD|Apache|PSF|MPL|LGPL", line), f"NOTICE has no licence for {name}"


def test_the_lock_is_in_step_with_the_project_and_names_no_host() -> None:
    locked = set(re.findall(r"^([a-z0-9._-]+)==", LOCK, re.MULTILINE))
    assert {name.replace("_", "-") for name in dependencies()} <= locked
    asked = re.findall(r"^([a-z0-9._-]+)==(?:(?!^[a-z0-9]).*\n)*?.*# via maskwright \(pyproject\.toml\)$", LOCK, re.M)
    assert set(asked) <= set(dependencies())
    assert "://" not in LOCK
    assert "index-url" not in LOCK


def test_every_locked_package_carries_hashes() -> None:
    blocks = re.split(r"^(?=[a-z0-9._-]+==)", LOCK, flags=re.MULTILINE)[1:]
    assert len(blocks) > 50
    assert [block.split("==")[0] for block in blocks if "--hash=sha256:" not in block] == []


def test_every_room_of_the_engine_has_its_place() -> None:
    (rooms,) = (contract for contract in PROJECT["tool"]["importlinter"]["contracts"] if contract["id"] == "rooms")
    placed = {room.strip() for layer in rooms["layers"] for room in re.split(r"[|:]", layer)}
    engine = ROOT / "worker" / "engine"
    found = {path.stem for path in engine.iterdir() if path.suffix == ".py" or (path / "__init__.py").is_file()}
    assert found - {"__init__"} == placed


@pytest.mark.parametrize("path", sorted((ROOT / "worker").glob("*.py")), ids=lambda path: path.stem)
def test_every_room_of_the_worker_is_in_the_guide(path: Path) -> None:
    assert path.stem == "__init__" or f"{path.name}`" in DEVELOPERS


def test_the_engine_says_what_it_may_not_touch() -> None:
    assert "may import" in (ROOT / "worker" / "engine" / "README.md").read_text(encoding="utf-8")


def test_the_package_ships_what_it_reads() -> None:
    data = PROJECT["tool"]["setuptools"]["package-data"]["worker"]
    assert "engine/report/*.json" in data


def test_the_python_of_the_readme_runs() -> None:
    one, two_sides, series = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    code = f"{one}\nprint(gold.dtype, gold.any(), preview[:4])\n{two_sides}\nassert len(views) == 2\n{series}"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    score, shown, *pieces = done.stdout.splitlines()
    assert len(pieces) == 8 and all("flickering=" in piece for piece in pieces[1:])
    assert float(score) > 0
    assert shown == r"bool True b'\x89PNG'"


@pytest.mark.parametrize("processes", ["0", "2"])
@pytest.mark.parametrize(
    ("where", "ci", "status"), [("test", "", 0), ("test", "1", 1), ("module", "", 0), ("module", "1", 1)]
)
def test_in_ci_a_skipped_test_or_module_counts_as_failed(
    where: str, ci: str, status: int, processes: str, tmp_path: Path
) -> None:
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path)
    skip = {
        "test": "def test_it():\n    pytest.skip('not here')\n",
        "module": "pytest.skip('not here', allow_module_level=True)\n",
    }
    (tmp_path / "test_one.py").write_text(f"import pytest\n\n{skip[where]}")
    (tmp_path / "test_two.py").write_text("def test_it():\n    pass\n")
    plugins = ["-p", "xdist.plugin", "-p", "no:cacheprovider"]  # the others take seconds to load
    command = [sys.executable, "-m", "pytest", "-q", *plugins, "-n", processes, str(tmp_path)]
    environment = {**os.environ, "CI": ci, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=tmp_path, env=environment)
    assert (done.returncode == 0) == (status == 0), done.stdout
    assert ("which CI does not allow" in done.stdout) == bool(ci), done.stdout
