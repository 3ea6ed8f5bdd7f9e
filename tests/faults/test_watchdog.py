"""Workers that are alive and idle while jobs wait: found, told of, and started again."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from tests.worker.rig import Rig, alive, wait_for
from tests.worker.serving import serving
from worker.client import Client
from worker.settings import PROJECT
from worker.watchdog import EXIT_STATUS

pytestmark = pytest.mark.slow


def test_a_worker_that_takes_no_wake_up_any_more_ends_and_says_so() -> None:
    """Its main thread is stuck, so that it never hears of the job; all its other threads run."""
    with Rig(MASKWRIGHT_STALL_SECONDS="3") as rig:
        rig.start_broker()
        worker = rig.start_worker(also="tests.worker.stuck")
        assert rig.ended(rig.submit("copy")).state == "done"
        (rig.folder / "stick").touch()
        wait_for(lambda: (rig.folder / "stuck").exists())
        job_id = rig.submit("copy")
        assert worker.wait(60) == EXIT_STATUS
        # It may get stuck before it has taken down that its first job ended: then it never looks idle.
        told = rig.logs()
        assert "while 1 jobs wait" in told or "holds a slot still" in told
        rig.start_worker()
        assert rig.ended(job_id).attempt == 1


def test_the_service_starts_a_worker_again_that_does_not_answer(tmp_path: Path) -> None:
    artwork = PROJECT / "samples" / "artworks" / "quillmere-badge.png"
    with serving(tmp_path / "data", MASKWRIGHT_STALL_SECONDS="4") as service, Client(service.address) as client:
        wait_for(lambda: (service.data / "logs" / "batch.log").read_text().count(" ready."))
        parent = service.running("maskwright.batch")[0]
        asked = {"width": "15mm", "pitch": "100um"}
        job = client.submit(artwork.name, artwork.read_bytes(), fab="nocturne-gold", settings=asked)
        *_, done = client.follow(job["id"])
        assert done["state"] == "done"
        os.kill(parent, signal.SIGSTOP)
        job = client.submit(artwork.name, artwork.read_bytes(), fab="nocturne-gold", settings=asked)
        *_, done = client.follow(job["id"])
        assert done["state"] == "done" and not alive(parent)
        assert "The batch worker has not answered for" in (service.data / "said").read_text()
