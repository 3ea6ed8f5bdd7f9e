"""A disk that is full: 507 where a job is asked for, a clear end where a result is stored, and nothing half there."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service.fixtures import backing, is_problem, post, service
from tests.worker.rig import Rig

pytestmark = pytest.mark.slow

DISK_MB = 24


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A small disk of its own."""
    if os.getuid() != 0:
        pytest.skip("needs root, to mount a small disk: run this test by sudo")
    place = tmp_path / "disk"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", place], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", place], check=True)


def fill(disk: Path) -> Path:
    """A file that takes all the room that is left."""
    ballast = disk / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            return ballast


def things(disk: Path) -> set[str]:
    return {path.relative_to(disk).as_posix() for path in (disk / "store").rglob("*") if path.is_file()}


def test_a_job_asked_for_on_a_full_disk_is_answered_507_and_accepted_once_there_is_room(disk: Path) -> None:
    artwork = os.urandom(256 * 1024)
    with service(disk, free_space_mb=0) as client:  # without the warning that comes before a disk is full
        assert post(client, b"an artwork", key="before").status_code == 202
        before = things(disk)
        ballast = fill(disk)
        for key in ("one", "one", "two"):
            assert is_problem(post(client, artwork, key=key, width="20mm"), 507, "full", "Free some space")
        # Room for the artwork's few bytes that are there already, but none for a row of the ledger.
        assert post(client, b"an artwork", key="before").status_code in (200, 507)
        assert things(disk) == before and len(backing(client).ledger.jobs.page("local", before=None, size=9)) == 1
        ballast.unlink()
        first = post(client, artwork, key="one", width="20mm")
        again = post(client, artwork, key="one", width="20mm")
        assert (first.status_code, again.status_code) == (202, 200) and first.json()["id"] == again.json()["id"]


def test_a_result_that_finds_no_room_ends_its_job_with_the_cause_and_leaves_nothing(disk: Path) -> None:
    with Rig(disk) as rig:
        rig.start_broker()
        rig.start_worker()
        small = rig.submit("copy")
        assert rig.ended(small).state == "done"
        before = things(disk)
        large = rig.submit("large", mb=DISK_MB)
        failed = rig.ended(large)
        assert failed.state == "failed" and failed.attempt == 3 and failed.failure is not None
        assert failed.failure.code == "storage" and "full" in failed.failure.what and "Free" in failed.failure.mend
        assert rig.results(large) == set() and things(disk) == before
        assert rig.ended(rig.submit("copy")).state == "done"


def test_a_ledger_that_finds_no_room_publishes_later(disk: Path) -> None:
    """The store is elsewhere; the disk of the ledger is full when the job ends, and has room again before long."""
    with Rig(DATABASE_URL=f"sqlite:///{disk / 'ledger.sqlite'}") as rig:
        rig.start_broker()
        rig.start_worker()
        job_id = rig.submit("sleep", seconds=2)
        while rig.job(job_id).progress is None:
            pass
        ballast = fill(disk)
        while not rig.results(job_id):
            pass
        assert rig.job(job_id).state == "running"
        ballast.unlink()
        job = rig.ended(job_id)
        assert job.state == "done" and len(rig.results(job_id)) == job.attempt
