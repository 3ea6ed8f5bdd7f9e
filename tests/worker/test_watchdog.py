"""The watchdog's judgement, on a clock that the test moves. tests/faults provokes it with real workers."""

from __future__ import annotations

from collections.abc import Sequence

from worker.job import Sign
from worker.watchdog import Slots, Watchdog

STALL = 10


class Worker:
    """A worker whose slots the test sets, and what its watchdog did to it."""

    def __init__(self) -> None:
        self.slots = Slots(busy={}, begun=0)
        self.moment = 0.0
        self.done: list[object] = []
        self.watchdog = Watchdog(
            lanes=["batch"],
            stall_seconds=STALL,
            slots=lambda: self.slots,
            kill=self.done.append,
            end=lambda: self.done.append("end"),
        )
        for patience in (self.watchdog.jobless, self.watchdog.idle):
            patience.clock = lambda: self.moment

    def watch(self, seconds: int, signs: Sequence[Sign] = (), batch: int = 0, interactive: int = 0) -> list[object]:
        self.done.clear()
        for _ in range(seconds):
            self.watchdog.look(signs, {"batch": batch, "interactive": interactive})
            self.moment += 1
        return self.done


def sign(task_id: str) -> Sign:
    return Sign(job_id="job", token="token", beats=1, task_id=task_id)


def test_a_worker_that_is_idle_while_jobs_wait_ends() -> None:
    worker = Worker()
    assert worker.watch(STALL, batch=3) == []
    assert worker.watch(1, batch=3) == ["end"]


def test_a_worker_that_is_idle_with_nothing_to_do_or_begins_tasks_stays() -> None:
    worker = Worker()
    assert worker.watch(3 * STALL, interactive=5) == [], "another lane's jobs are not for it"
    for begun in range(1, 5):
        worker.slots = Slots(busy={}, begun=begun)
        assert worker.watch(STALL - 1, batch=1) == []


def test_a_busy_worker_stays() -> None:
    worker = Worker()
    worker.slots = Slots(busy={"task": 7}, begun=1)
    assert worker.watch(5 * STALL, [sign("task")], batch=9) == []


def test_a_slot_whose_task_has_no_job_is_freed() -> None:
    worker = Worker()
    worker.slots = Slots(busy={"one": 7, "two": 8}, begun=2)
    assert worker.watch(STALL, [sign("two")], batch=1) == []
    assert worker.watch(1, [sign("two")], batch=1) == [7]


def test_a_worker_that_does_not_notice_that_a_slot_was_freed_ends() -> None:
    """Its main thread is stuck: what it has not taken down as ended holds a slot for ever, and it never looks idle."""
    worker = Worker()
    worker.slots = Slots(busy={"one": 7}, begun=1)
    assert worker.watch(STALL, batch=1) == []
    assert set(worker.watch(STALL, batch=1)) == {7}
    assert worker.watch(1, batch=1) == ["end"]


def test_a_silent_jobs_process_is_ended_where_it_is_this_workers() -> None:
    worker = Worker()
    worker.slots = Slots(busy={"mine": 7}, begun=1)
    worker.watchdog.free("another's")
    assert worker.done == []
    worker.watchdog.free("mine")
    assert worker.done == [7]
