"""Damage done to the store by hand is found, with the job it belongs to; what is whole is left in peace."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sql
from fastapi.testclient import TestClient

from tests.service.fixtures import backing, finish, post, service
from worker import cli
from worker.integrity import Fault, Verified, verify
from worker.ledger.tables import fab_revisions, files, jobs

FILES = {"masks/gold.png": b"gold" * 1000, "report.json": b"{}"}


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def done(client: TestClient, artwork: bytes) -> str:
    job_id: str = post(client, artwork).json()["id"]
    finish(client, job_id, FILES, {})
    return job_id


def verified(client: TestClient) -> tuple[Verified, list[Fault]]:
    faults: list[Fault] = []
    return verify(backing(client).ledger, backing(client).store, faults.append), faults


def place(client: TestClient, folder: str, name: str) -> Path:
    (found,) = (path for path in (Path(backing(client).store.root) / "objects" / folder / name).rglob("*") if path.is_file())  # type: ignore[attr-defined]  # fmt: skip # noqa: E501
    return found


def flip(path: Path, position: int) -> None:
    content = bytearray(path.read_bytes())
    content[position] ^= 1
    path.write_bytes(content)


def test_a_whole_store_has_no_faults(client: TestClient) -> None:
    done(client, b"one"), done(client, b"two"), post(client, b"two"), post(client, b"three")
    told, faults = verified(client)
    assert faults == [] and (told.objects, told.faults) == (5, 0) and told.bytes > 8000


@pytest.mark.parametrize("recorded", [True, False], ids=["hash of the archive", "result of an earlier version"])
@pytest.mark.parametrize(
    ("position", "words"), [(-1, "outside its files"), (200, "masks/gold.png"), (4200, "report.json")]
)
def test_one_flipped_bit_is_found_and_named(client: TestClient, position: int, words: str, recorded: bool) -> None:
    whole, bad = done(client, b"one"), done(client, b"two")
    if not recorded:
        with backing(client).ledger.database.writing() as connection:
            connection.execute(sql.update(jobs).values(package_sha256=None))
    path = place(client, "results", bad)
    start = path.read_bytes().index(FILES["report.json"] if words == "report.json" else FILES["masks/gold.png"])
    flip(path, position if position < 0 else start)
    _, faults = verified(client)
    if position < 0 and not recorded:
        assert faults == [], "no hash covers those bytes of an old result"
        return
    (fault,) = faults
    assert fault.job_id == bad != whole and words in fault.what and "damaged" in fault.what and fault.mend


def test_a_short_archive_of_an_earlier_version_is_found(client: TestClient) -> None:
    bad = done(client, b"one")
    with backing(client).ledger.database.writing() as connection:
        connection.execute(sql.update(jobs).values(package_sha256=None))
    path = place(client, "results", bad)
    path.write_bytes(path.read_bytes()[:-10])
    assert [fault.job_id for fault in verified(client)[1]] == [bad]


def test_what_is_missing_is_found(client: TestClient) -> None:
    gone, waits = done(client, b"one"), post(client, b"two").json()
    place(client, "results", gone).unlink()
    Path(backing(client).store.root, "objects/artworks", waits["artwork"]["sha256"]).unlink()  # type: ignore[attr-defined]
    _, faults = verified(client)
    assert [(fault.job_id, "missing" in fault.what) for fault in faults] == [(gone, True), (waits["id"], True)]


def test_a_damaged_artwork_and_a_damaged_profile_are_found(client: TestClient) -> None:
    job = done(client, b"one")
    flip(next((Path(backing(client).store.root) / "objects/artworks").iterdir()), 0)  # type: ignore[attr-defined]
    with backing(client).ledger.database.writing() as connection:
        connection.execute(
            sql.update(fab_revisions).where(fab_revisions.c.id == "alba-black").values(toml=b"name = 'other'")
        )
    _, faults = verified(client)
    assert [fault.job_id for fault in faults] == ["", job] and "alba-black" in faults[0].what


def test_what_expired_while_it_looked_is_no_fault(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    done(client, b"one"), done(client, b"two")
    keeper = backing(client)
    store_open = keeper.store.open

    def late(key: str) -> object:
        if key.startswith("results/"):
            with keeper.ledger.database.writing() as connection:
                connection.execute(sql.delete(files))
                connection.execute(sql.update(jobs).values(expired=1.0, package_key=None))
            raise FileNotFoundError(key)
        return store_open(key)

    monkeypatch.setattr(keeper.store, "open", late)
    assert verified(client)[1] == []


def test_the_command_says_what_is_wrong_by_its_exit_status(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with service(tmp_path / "data") as client:
        job = done(client, b"one")
        assert cli.main(["verify", "--data-dir", str(tmp_path / "data")]) == 0
        assert "2 objects" in capsys.readouterr().out
        place(client, "results", job).unlink()
    assert cli.main(["verify", "--data-dir", str(tmp_path / "data")]) == 1
    told = capsys.readouterr()
    assert job in told.out and "missing" in told.out and "1 fault" in told.out
    assert cli.main(["verify", "--data-dir", str(tmp_path / "nothing")]) == 2
    assert "nothing" in capsys.readouterr().err and not (tmp_path / "nothing").exists()
