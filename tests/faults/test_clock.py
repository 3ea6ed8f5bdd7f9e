"""Wall clocks that jump by a day in the middle of work: no lease ends early or lasts longer, no wake-up is missed."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from tests.worker.rig import Rig, wait_for

pytestmark = pytest.mark.slow

LIBRARIES = sorted(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))
MISSING = "needs libfaketime: apt-get install faketime"
DAY = 86400


@pytest.mark.skipif(not LIBRARIES, reason=MISSING)
@pytest.mark.parametrize("jump", [DAY, -DAY])
def test_a_clock_that_jumps_costs_no_attempt_and_delays_no_lost_job(jump: int) -> None:
    """libfaketime shifts the time of day of the worker's processes alone, and leaves their steady clock as it is."""
    with Rig() as rig:
        shift = rig.folder / "shift"
        shift.write_text("+0s\n")
        clock = {
            "LD_PRELOAD": str(LIBRARIES[-1]),
            "FAKETIME_TIMESTAMP_FILE": str(shift),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "DONT_FAKE_MONOTONIC": "1",
        }
        rig.start_broker()
        worker = rig.start_worker(processes=2, **clock)
        first, lost = rig.submit("sleep", seconds=3), rig.submit("stop_once")
        wait_for(lambda: rig.job(first).progress and rig.job(lost).state == "running")
        shift.write_text(f"{jump:+d}s\n")
        unheard = rig.submit("copy", wake=False)
        assert rig.ended(first).attempt == 1
        assert rig.ended(lost, 30).attempt == 2 and rig.ended(unheard, 30).attempt == 1
        done = [rig.job(job_id) for job_id in (first, lost, unheard)]
        assert {job.state for job in done} == {"done"}
        moved = [job.finished - job.created for job in done if job.finished is not None]
        assert all(abs(seconds - jump) < 600 for seconds in moved), "the clock did jump"
        os.kill(worker.pid, signal.SIGTERM)
        assert worker.wait(60) == 0
