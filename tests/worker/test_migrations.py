"""From every earlier schema, with rows in it, to the newest one, on both databases: no row lost, and work goes on."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sql
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory

from tests.worker.postgresql import postgresql
from worker.job import JobRequest, Package
from worker.ledger import Ledger
from worker.ledger.database import MIGRATIONS, Database, known_tables, newest_tables

CONFIG = Config()
CONFIG.set_main_option("script_location", str(MIGRATIONS))
EARLIER = [script.revision for script in ScriptDirectory.from_config(CONFIG).walk_revisions()][:0:-1]
STATES = ("queued", "running", "done", "failed")
GIVEN_UP = {("jobs", "lease_until")}
"""Columns that a later schema has no use for: leases went by the time of day once."""


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def server(request: pytest.FixtureRequest) -> Iterator[str]:
    if request.param == "sqlite":
        yield ""
    else:
        with postgresql() as url:
            yield url


@pytest.fixture
def url(server: str, tmp_path: Path) -> str:
    """A new database."""
    if not server:
        return f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    with sql.create_engine(server).begin() as connection:
        connection.execute(sql.text("DROP SCHEMA public CASCADE"))
        connection.execute(sql.text("CREATE SCHEMA public"))
    return server


def migrate(database: Database, revision: str) -> None:
    with database.writing() as connection:
        CONFIG.attributes["connection"] = connection
        command.upgrade(CONFIG, revision)


def fill(database: Database) -> dict[str, list[dict[str, Any]]]:
    """A row or more in every table that this schema has, in every column; what was put in, by table.

    The tables are those that the database itself tells of, since earlier versions knew other ones.
    """
    found = sql.MetaData()
    found.reflect(database.engine)
    put: dict[str, list[dict[str, Any]]] = {}
    with database.writing() as connection:
        for table in found.sorted_tables:
            if table.name != "alembic_version":
                put[table.name] = [row(table, number) for number in range(len(STATES))]
                connection.execute(sql.insert(table), put[table.name])
    return put


def row(table: sql.Table, number: int) -> dict[str, Any]:
    return {column.name: value(table.name, column, number) for column in table.columns if column.name != "seq"}


def value(table: str, column: sql.Column[Any], number: int) -> Any:
    if column.name == "state":
        return STATES[number]
    if column.name in ("lane", "kind"):
        return {"lane": "batch", "kind": "convert"}[column.name] if table != "turns" else f"lane{number}"
    if column.name in ("owner", "fab_id", "fab_revision", "revision") or (column.name == "id" and "fab" in table):
        return "r1" if "revision" in column.name else f"{'owner' if column.name == 'owner' else 'fab'}{number}"
    if (table, column.name) == ("jobs", "id") or column.name in ("job_id", "needed_id"):
        return f"{number:032x}"
    if column.name == "collection_id":
        return f"id{number}"
    if column.name in ("expired", "error_code", "inputs"):
        return None
    if column.name == "held":
        return 0  # it waits for no other job
    if isinstance(column.type, sql.JSON):
        return {"width": f"{number}mm"}
    if isinstance(column.type, sql.LargeBinary):
        return bytes([number])
    if isinstance(column.type, sql.String):
        return f"{column.name}{number}"[: column.type.length]
    if isinstance(column.type, sql.Boolean):
        return False
    return number + 1


def rows(database: Database, table: sql.Table, names: list[str]) -> list[dict[str, Any]]:
    wanted = sql.select(*(table.c[name] for name in names))
    with database.reading() as connection:
        return [dict(each) for each in connection.execute(wanted).mappings()]


def test_there_are_earlier_schemas() -> None:
    assert EARLIER[0] == "0001" and len(EARLIER) >= 3
    assert known_tables() == {*EARLIER, newest_tables()} and newest_tables() not in EARLIER


@pytest.mark.parametrize("revision", EARLIER)
def test_rows_of_an_earlier_schema_are_kept_and_work_goes_on(url: str, revision: str) -> None:
    old = Database(url, pooled=False)
    migrate(old, revision)
    assert old.tables() == revision
    put = fill(old)
    ledger = Ledger(url, pooled=False)
    ledger.migrate()
    assert ledger.database.tables() == newest_tables()
    found = sql.MetaData()
    found.reflect(ledger.database.engine)
    for table, before in put.items():
        kept = [name for name in before[0] if (table, name) not in GIVEN_UP]
        after = rows(ledger.database, found.tables[table], kept)
        for each in before:
            assert {name: each[name] for name in kept} in after, (table, revision)
    assert [ledger.jobs.get(f"owner{number}", f"{number:032x}").state for number in range(4)] == list(STATES)
    assert ledger.jobs.package("owner2", f"{2:032x}").files[0].sha256 == "sha2562"
    assert [ledger.jobs.give_back_silent(sign) for sign in ledger.jobs.signs()] == [True], "nobody works on it any more"
    claimed = [ledger.jobs.claim("batch", "task") for _ in range(3)]
    claim = claimed[0]
    assert claim is not None and claim.fab_toml == b"\0" and claimed[2] is None
    assert ledger.jobs.publish(claim.job.id, claim.token, Package(key="results/a/b", bytes=1, files=()), {})
    new = JobRequest(
        owner="owner1", kind="convert", lane="batch", name="a", artwork="", artwork_bytes=0, fab_id="fab1",
        fab_revision="r1", settings={}, fingerprint="",
    )  # fmt: skip
    assert ledger.jobs.add(new)[1]
    assert ledger.fabs.replace("owner1", "fab1", "r2", b"", started_from="r1")
    ledger.close()
    old.close()


@pytest.mark.parametrize("revision", EARLIER)
def test_every_step_can_be_taken_back(tmp_path: Path, revision: str) -> None:
    database = Database(f"sqlite:///{tmp_path / 'ledger.sqlite'}", pooled=False)
    migrate(database, "head")
    with database.writing() as connection:
        CONFIG.attributes["connection"] = connection
        command.downgrade(CONFIG, revision)
    fill(database)
    migrate(database, "head")
    assert database.tables() == newest_tables()
    database.close()
