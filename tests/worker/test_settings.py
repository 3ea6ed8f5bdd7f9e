"""The environment: its rows, its defaults, and what is said of a wrong value."""

from __future__ import annotations

from pathlib import Path

import pytest

from worker.errors import SettingsError
from worker.settings import Environment, processor_cores, read_environment, rows
from worker.shell_environment import NAMES, read_shell_environment


@pytest.fixture(autouse=True)
def bare(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """No variable of the project, and no .env."""
    for row in rows():
        monkeypatch.delenv(row.name, raising=False)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_every_variable_has_a_name_and_says_what_it_does() -> None:
    names = [row.name for row in rows()]
    assert len(names) == len(set(names)) == len(Environment.model_fields)
    for row in rows():
        assert row.name.isupper() and len(row.help) > 15 and not row.help.endswith(".")
    assert [row.default for row in rows() if row.name == "MASKWRIGHT_BATCH_WORKERS"] == ["2"]
    assert [row.default for row in rows() if row.name == "MASKWRIGHT_FABS_DIR"] == ["samples/fabs"]


def test_the_defaults_work_on_one_machine(bare: Path) -> None:
    environment = read_environment()
    assert environment.host == "127.0.0.1" and environment.batch_workers == 2
    assert environment.database == f"sqlite:///{bare}/.maskwright/ledger.sqlite"
    assert environment.threads_per_job == max(1, processor_cores() // 2)
    assert environment.fabs_dir.is_dir()


def test_the_environment_wins_over_the_file(bare: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (bare / ".env").write_text("MASKWRIGHT_PORT=9000\nMASKWRIGHT_ATTEMPTS=7\nSOMETHING_ELSE=1\n")
    monkeypatch.setenv("MASKWRIGHT_PORT", "9001")
    environment = read_environment()
    assert (environment.port, environment.attempts) == (9001, 7)


def test_an_empty_variable_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MASKWRIGHT_PORT", "")
    assert read_environment().port == 8000


@pytest.mark.parametrize(
    ("name", "value"),
    [("MASKWRIGHT_PORT", "http"), ("MASKWRIGHT_PORT", "70000"), ("MASKWRIGHT_LEASE_SECONDS", "0"),
     ("MASKWRIGHT_BATCH_WORKERS", "0"), ("MASKWRIGHT_ATTEMPTS", "-1")],
)  # fmt: skip
def test_a_wrong_value_is_named_with_its_mend(name: str, value: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(name, value)
    with pytest.raises(SettingsError) as caught:
        read_environment()
    assert name in caught.value.what and value in caught.value.what and ".env" in caught.value.mend


def test_secrets_are_never_shown() -> None:
    environment = Environment(key="visible?", s3_secret="visible?")  # type: ignore[arg-type]
    assert "visible?" not in repr(environment)


@pytest.mark.parametrize("written", ["environment", "lower case", "file", "empty", "nothing"])
def test_commands_read_the_same(written: str, bare: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given = dict(zip(NAMES, ("own/fabs", "~/tables", "3"), strict=True))
    for name, value in given.items():
        if written == "file":
            with (bare / ".env").open("a") as file:
                file.write(f"{name}={value}\n")
        elif written != "nothing":
            monkeypatch.setenv(name.lower() if written == "lower case" else name, "" if written == "empty" else value)
    whole, shell = read_environment(), read_shell_environment()
    assert (shell.fabs_dir, shell.cache_dir, shell.threads) == (whole.fabs_dir, whole.cache_dir, whole.threads)
    assert (shell.threads == 3) == (written in ("environment", "lower case", "file"))
    assert shell.threads_or_cores == (shell.threads or processor_cores())
    assert not str(shell.tables).startswith("~")


def test_commands_name_a_wrong_value_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MASKWRIGHT_THREADS", "many")
    with pytest.raises(SettingsError, match="MASKWRIGHT_THREADS"):
        read_shell_environment()
