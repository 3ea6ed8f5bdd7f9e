"""A backup taken at work is whole, and what is restored from it answers as the original did."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, backing, finish, post, service
from tests.worker.rig import Rig, wait_for
from worker import cli
from worker.backup import back_up, restore
from worker.errors import BackupError, ConflictError, MaskwrightError, SettingsError, StorageError
from worker.settings import PROJECT

FILES = {"masks/gold.png": bytes(range(256)) * 40, "report.json": b"{}"}
SUFFIXES = ["", ".tar"]


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data directory with a finished job, a waiting one, and a file that some later version keeps there."""
    data = tmp_path / "data"
    with service(data) as client:
        finish(client, post(client, b"one").json()["id"], FILES, {"score": {"viewing_distance_mm": 300}})
        post(client, b"two", key="k")
    (data / "secrets").mkdir()
    (data / "secrets" / "signing").write_bytes(b"a secret of the service")
    (data / "logs").mkdir()
    (data / "logs" / "service.log").write_text("log")
    return data


def answers(client: TestClient) -> dict[str, Any]:
    """Everything that a service tells of its jobs and fabs, with the bytes of every file."""
    told: dict[str, Any] = {"fab": client.get(f"/v1/fabs/{FAB}").content}
    for job in client.get("/v1/jobs").json()["jobs"]:
        told[job["id"]] = job
        for file in client.get(job["links"]["files"]).json()["files"]:
            response = client.get(file["href"])
            told[file["href"]] = (response.content, response.headers["etag"])
        told[job["links"]["package"]] = client.get(job["links"]["package"]).content
    return told


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_what_is_restored_answers_the_same_jobs_with_the_same_bytes(data: Path, tmp_path: Path, suffix: str) -> None:
    with service(data) as client:
        backup = back_up(data, tmp_path / f"copy{suffix}")
        before = answers(client)
    assert (backup.missing, backup.damaged) == ((), ())
    shutil.rmtree(data)
    assert restore(tmp_path / f"copy{suffix}", tmp_path / "new" / "data") == backup
    with service(tmp_path / "new" / "data") as client:
        assert answers(client) == before and len(before) > 5
        same = post(client, b"two", key="k")
        assert same.status_code == 200, "an idempotency key stands for the job of then"
        claim = backing(client).ledger.jobs.claim("batch", "task")
        assert claim is not None and backing(client).store.open(f"artworks/{claim.job.artwork}").read() == b"two"


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_it_holds_secrets_but_no_logs_and_its_owner_alone_may_read_it(data: Path, tmp_path: Path, suffix: str) -> None:
    (tmp_path / "empty").mkdir()
    back_up(data, tmp_path / f"copy{suffix}")
    restore(tmp_path / f"copy{suffix}", tmp_path / "empty")
    assert (tmp_path / "empty/secrets/signing").read_bytes() == b"a secret of the service"
    assert not (tmp_path / "empty/logs").exists()
    for path in (tmp_path / f"copy{suffix}", tmp_path / "empty", tmp_path / "empty/secrets/signing"):
        assert path.stat().st_mode & 0o077 == 0, path
    assert {path.name for path in tmp_path.iterdir()} == {"data", "empty", f"copy{suffix}"}, "nothing half done is left"


def test_the_archive_is_one_that_other_programs_read(data: Path, tmp_path: Path) -> None:
    backup = back_up(data, tmp_path / "copy.tar")
    listed = subprocess.run(["tar", "tf", tmp_path / "copy.tar"], capture_output=True, text=True, check=True).stdout
    assert set(listed.split()) == {"manifest.json", *(f"data/{file.path}" for file in backup.files)}


def test_nothing_is_overwritten(data: Path, tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine").write_text("x")
    (tmp_path / "file.tar").write_text("x")
    for target in ("full", "file.tar"):
        with pytest.raises(ConflictError, match="there already"):
            back_up(data, tmp_path / target)
    with pytest.raises(SettingsError, match="itself"):
        back_up(data, data / "copy")
    back_up(data, tmp_path / "copy")
    with pytest.raises(ConflictError, match="not empty"):
        restore(tmp_path / "copy", tmp_path / "full")
    with pytest.raises(SettingsError, match="no ledger"):
        back_up(tmp_path / "full", tmp_path / "other")
    assert (tmp_path / "full/mine").read_text() == (tmp_path / "file.tar").read_text() == "x"


def test_what_the_store_lost_is_said_and_the_rest_is_kept(data: Path, tmp_path: Path) -> None:
    artworks = sorted((data / "store/objects/artworks").iterdir())
    artworks[0].unlink()
    artworks[1].write_bytes(b"damaged")
    backup = back_up(data, tmp_path / "copy")
    assert backup.missing == (f"artworks/{artworks[0].name}",) and backup.damaged == (f"artworks/{artworks[1].name}",)
    assert restore(tmp_path / "copy", tmp_path / "new") == backup


def broken(copy: Path, how: str) -> None:
    manifest = json.loads((copy / "manifest.json").read_text())
    if how == "bit":
        path = copy / "data/ledger.sqlite"
        content = path.read_bytes()
        path.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    elif how == "file":
        next(path for path in (copy / "data/store").rglob("*") if path.is_file()).unlink()
    elif how == "manifest":
        (copy / "manifest.json").unlink()
    elif how == "nonsense":
        (copy / "manifest.json").write_text("[1, 2]")
    elif how == "outside":
        manifest["files"][0]["path"] = "../outside"
    elif how == "later":
        manifest["tables"] = "9999"
    if how in ("outside", "later"):
        (copy / "manifest.json").write_text(json.dumps(manifest))


@pytest.mark.parametrize(
    ("how", "words"),
    [("bit", "ledger.sqlite is damaged"), ("file", "damaged or missing"), ("manifest", "no whole backup"),
     ("nonsense", "no whole backup"), ("outside", "leads outside"), ("later", "later version")],
)  # fmt: skip
def test_a_backup_that_is_not_whole_restores_nothing(data: Path, tmp_path: Path, how: str, words: str) -> None:
    back_up(data, tmp_path / "copy")
    broken(tmp_path / "copy", how)
    with pytest.raises(BackupError, match=words):
        restore(tmp_path / "copy", tmp_path / "new")
    assert {path.name for path in tmp_path.iterdir()} == {"data", "copy"}


@pytest.mark.parametrize("kept", [0, 500, 5000, -600])
def test_a_cut_archive_restores_nothing(data: Path, tmp_path: Path, kept: int) -> None:
    back_up(data, tmp_path / "copy.tar")
    content = (tmp_path / "copy.tar").read_bytes()
    (tmp_path / "copy.tar").write_bytes(content[:kept] if kept >= 0 else b"no archive" * 100)
    with pytest.raises(BackupError):
        restore(tmp_path / "copy.tar", tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.skipif(os.getuid() != 0, reason="needs root, to mount a small disk")
@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_full_disk_leaves_nothing_that_looks_like_a_backup(data: Path, tmp_path: Path, suffix: str) -> None:
    small = tmp_path / "small"
    small.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(small)], check=True)
    try:
        with pytest.raises(StorageError):
            back_up(data, small / f"copy{suffix}")
        assert list(small.iterdir()) == []
    finally:
        subprocess.run(["umount", str(small)], check=True)


def test_the_commands(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    copy, new = str(tmp_path / "copy.tar"), str(tmp_path / "new")
    assert cli.main(["backup", copy, "--data-dir", str(data)]) == 0 and "files" in capsys.readouterr().out
    assert cli.main(["backup", copy, "--data-dir", str(data)]) == 2 and "there already" in capsys.readouterr().err
    assert cli.main(["restore", copy, "--data-dir", new]) == 0 and new in capsys.readouterr().out
    assert cli.main(["verify", "--data-dir", new]) == 0
    next((data / "store/objects/artworks").iterdir()).unlink()
    assert cli.main(["backup", str(tmp_path / "two"), "--data-dir", str(data)]) == 1
    assert "missing: artworks/" in capsys.readouterr().out
    monkeypatch.setenv("DATABASE_URL", "postgresql+pg8000://nobody@127.0.0.1:1/none")
    assert cli.main(["backup", str(tmp_path / "three"), "--data-dir", str(data)]) == 2
    assert "pg_dump" in capsys.readouterr().err


class AtWork:
    """A service at work: a thread that asks for jobs without a pause."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.ids: list[str] = []
        self.stopped = threading.Event()
        self.thread = threading.Thread(target=self._ask)

    def _ask(self) -> None:
        while not self.stopped.wait(0.01):
            self.ids.append(self.rig.submit("copy"))

    def __enter__(self) -> AtWork:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stopped.set()
        self.thread.join()


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig() as rig:
        rig.start_broker()
        rig.start_worker(processes=2)
        yield rig


@pytest.mark.slow
def test_a_backup_at_work_is_of_one_moment_and_loses_no_job(rig: Rig, tmp_path: Path) -> None:
    long = rig.submit("sleep", seconds=60)
    wait_for(lambda: rig.job(long).state == "running")
    with AtWork(rig) as work:
        wait_for(lambda: len(work.ids) >= 40)
        command = [sys.executable, "-m", "worker", "backup", str(tmp_path / "copy"), "--data-dir", str(rig.folder)]
        run = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True)
        before = len(work.ids)
        wait_for(lambda: len(work.ids) > before)
    assert run.returncode == 1 and "damaged: artworks/" in run.stdout, "these tests' artwork has a made-up hash"
    assert "missing" not in run.stdout, run.stderr
    restore(tmp_path / "copy", tmp_path / "new")
    with Rig(folder=tmp_path / "new") as again:
        states = {job.id: job.state for job in again.ledger.jobs.page("local", before=None, size=10_000)}
        assert states[long] == "running" and list(states.values()).count("done") >= 3 and len(states) >= 40
        for job_id, state in states.items():
            if state == "done":
                result = again.ledger.jobs.package("local", job_id)
                assert result == rig.ledger.jobs.package("local", job_id)
                first = result.files[0]
                assert b"".join(again.store.read(result.key, first.start, first.start + first.bytes)) == b"artwork"
        again.ledger.jobs.give_back_all(counted=True)  # as a service does at its start
        claimed = set()
        while claim := again.ledger.jobs.claim("batch", "task"):
            assert again.store.open(f"artworks/{claim.job.artwork}").read() == b"artwork"
            claimed.add(claim.job.id)
        assert claimed == {job_id for job_id, state in states.items() if state != "done"}


def test_a_damaged_database_is_said_so(data: Path, tmp_path: Path) -> None:
    with sqlite3.connect(data / "ledger.sqlite") as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    content = bytearray((data / "ledger.sqlite").read_bytes())
    content[4096:8192] = bytes(4096)
    (data / "ledger.sqlite").write_bytes(content)
    with pytest.raises(MaskwrightError, match="database"):
        back_up(data, tmp_path / "copy")
    assert not (tmp_path / "copy").exists()
