"""Wall clocks that jump by a day in the middle of work: no lease ends early or lasts longer, no wake-up is missed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.worker.rig import Rig, wait_for

pytestmark = pytest.mark.slow

DAY = 86400


@pytest.mark.parametrize("jump", [DAY, -DAY])
def test_a_clock_that_jumps_costs_no_attempt_and_delays_no_lost_job(jump: int) -> None:
    """The worker's processes and the database in them see another time of day from one moment to the next."""
    with Rig() as rig:
        shift = rig.folder / "shift"
        shift.write_text("0")
        clock = {"PYTHONPATH": str(Path(__file__).parent / "shifted_clock"), "SHIFTED_CLOCK": str(shift)}
        rig.start_broker()
        rig.start_worker(processes=2, **clock)
        first, lost = rig.submit("sleep", seconds=6), rig.submit("stop_once")
        wait_for(lambda: rig.job(first).progress and rig.job(lost).state == "running")
        (rig.folder / "next").write_text(str(jump))
        os.replace(rig.folder / "next", shift)
        unheard = rig.submit("copy", wake=False)
        for job_id, attempt in ((first, 1), (lost, 2), (unheard, 1)):
            job = rig.ended(job_id)
            assert job.state == "done" and job.attempt == attempt
            assert job.finished is not None and abs(job.finished - job.created - jump) < 3600, "the clock did jump"
