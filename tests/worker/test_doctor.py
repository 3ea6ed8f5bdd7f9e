"""The doctor finds what was broken on purpose, says how to mend it, and is content with what works."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.worker.rig import Rig
from worker import cli, doctor
from worker.doctor import Finding, examine
from worker.ledger import Ledger
from worker.settings import Environment


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The data directory of a service that has run."""
    monkeypatch.chdir(tmp_path)
    data = tmp_path / "data"
    data.mkdir(mode=0o700)
    ledger = Ledger(f"sqlite:///{data / 'ledger.sqlite'}")
    ledger.migrate()
    ledger.close()
    (data / "store").mkdir()
    return data


def findings(data: Path, part: str, **changes: Any) -> list[Finding]:
    return [found for found in examine(Environment(data_dir=data, **changes)) if found.part == part]


def wrong(data: Path, part: str, **changes: Any) -> Finding:
    """The one thing that is wrong; it has a mend."""
    (found,) = [found for found in findings(data, part, **changes) if found.state == "wrong"]
    assert found.what and found.mend
    return found


def test_what_works_has_nothing_to_mend(data: Path) -> None:
    found = list(examine(Environment(data_dir=data)))
    assert [each for each in found if each.state == "wrong"] == []
    assert {"program", "data directory", "disk", "database", "broker", "store", "clock", "gerbv"} <= {
        each.part for each in found
    }


def test_before_the_first_start_nothing_is_wrong_and_nothing_is_made(tmp_path: Path) -> None:
    found = list(examine(Environment(data_dir=tmp_path / "new")))
    assert [each for each in found if each.state == "wrong"] == [] and not (tmp_path / "new").exists()


def test_the_embedded_broker_that_runs_is_asked_and_one_that_is_away_is_found(data: Path) -> None:
    with Rig() as rig:
        rig.start_broker()
        assert [found.what for found in findings(rig.folder, "broker")] == ["It answers."]
    assert "broker" in wrong(data, "broker", redis_url="redis://127.0.0.1:1/0").what


def loose(data: Path) -> None:
    data.chmod(0o755)


def foreign(data: Path) -> None:
    os.chown(data / "store", 12345, 12345)


def a_file(data: Path) -> None:
    data.rename(data.with_name("moved"))
    data.write_text("no folder")


@pytest.mark.skipif(os.getuid() != 0, reason="needs root, to give a folder to another user")
@pytest.mark.parametrize(
    ("damage", "words"), [(loose, "Other users"), (foreign, "another user"), (a_file, "no folder")]
)
def test_a_data_directory_with_wrong_rights(data: Path, damage: Callable[[Path], None], words: str) -> None:
    damage(data)
    assert words in wrong(data, "data directory").what


def test_a_database_that_is_damaged_or_later_or_away(data: Path) -> None:
    with sqlite3.connect(data / "ledger.sqlite") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '0001'")
    (early,) = findings(data, "database")
    assert early.state == "note" and "earlier version (0001" in early.what
    with sqlite3.connect(data / "ledger.sqlite") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    assert "later version" in wrong(data, "database").what
    connection.close()
    for path in data.glob("ledger.sqlite*"):
        path.unlink()
    (data / "ledger.sqlite").write_bytes(b"no database at all" * 999)
    assert "Restore a backup." in wrong(data, "database").mend
    away = wrong(data, "database", database_url="postgresql+pg8000://nobody@127.0.0.1:1/none")
    assert "does not answer" in away.what and "DATABASE_URL" in away.mend


def test_a_store_that_is_away(data: Path) -> None:
    away = wrong(data, "store", store_url="s3://bucket", s3_endpoint="http://127.0.0.1:1", s3_key_id="x")
    assert "STORE_URL" in away.mend


def test_a_full_disk_a_wrong_clock_and_a_missing_library(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "LEAST_FREE_BYTES", 1 << 60)
    assert "free" in wrong(data, "disk").what
    late = time.time() + 100
    monkeypatch.setattr(time, "time", lambda: late)
    assert "the database are 100 s apart" in wrong(data, "clock").what
    monkeypatch.setattr(time, "time", lambda: 86400.0)
    assert "1970-01-02" in findings(data, "clock")[0].what
    monkeypatch.setattr(doctor, "requires", lambda name: ["numpy>=2", "nowhere-to-be-found>=1; python_version > '3'"])
    assert wrong(data, "program").what == "Not installed: nowhere-to-be-found."


def test_an_open_address_without_a_key_and_a_readable_dotenv(data: Path) -> None:
    assert "MASKWRIGHT_KEY" in wrong(data, "address", host="0.0.0.0").mend
    Path(".env").write_text("")
    Path(".env").chmod(0o644)
    assert "chmod 600" in wrong(data, "address").mend


def test_the_command(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["doctor", "--data-dir", str(data)]) == 0 and "It can work." in capsys.readouterr().out
    data.chmod(0o755)
    assert cli.main(["doctor", "--data-dir", str(data)]) == 1
    told = capsys.readouterr().out
    assert "WRONG data directory" in told and f"chmod 700 {data}" in told and "1 to be mended" in told
