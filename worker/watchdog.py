"""The watchdog of a worker: frees a slot whose process hangs, and ends a worker that is alive and idle while jobs wait.

It runs in the worker's parent process, whose supervisor starts a worker again that has ended.
"""

from __future__ import annotations

import logging
import os
import signal
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass

from worker.job import Lane, Sign
from worker.patience import Patience

EXIT_STATUS = 70
"""Of a worker that its own watchdog ended: EX_SOFTWARE of sysexits.h."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slots:
    """What a worker's parent knows of its own slots.

    `busy` maps the task under way in each child to that child's process id; `begun` counts the tasks ever begun.
    """

    busy: Mapping[str, int]
    begun: int


class Watchdog:
    """Looks at one worker's slots beside what the ledger says, once in each round of its housekeeping."""

    def __init__(
        self,
        *,
        lanes: Collection[Lane],
        stall_seconds: float,
        slots: Callable[[], Slots],
        kill: Callable[[int], None],
        end: Callable[[], None],
    ) -> None:
        self.lanes = lanes
        self.stall_seconds = stall_seconds
        self.slots = slots
        self.kill = kill
        self.end = end
        self.jobless: Patience[str] = Patience()
        self.idle: Patience[int] = Patience()

    def look(self, signs: Collection[Sign], waiting: Mapping[Lane, int]) -> None:
        """One look. `signs` are of all running jobs, `waiting` counts the jobs that wait in each lane."""
        slots = self.slots()
        claimed = {sign.task_id for sign in signs}
        for task_id, seconds in self.jobless.look(slots.busy.keys() - claimed).items():
            if seconds >= 2 * self.stall_seconds:
                # Its process is gone, and the parent's main thread, which would have taken it off, does nothing more.
                log.error("task %s holds a slot still, %.0f s after its job: this worker ends", task_id, seconds)
                self.end()
            elif seconds >= self.stall_seconds:
                log.error("task %s holds a slot and has no job for %.0f s: ending its process", task_id, seconds)
                self.kill(slots.busy[task_id])
        waits = sum(waiting[lane] for lane in self.lanes)
        for seconds in self.idle.look([slots.begun] if waits and not slots.busy else []).values():
            if seconds >= self.stall_seconds:
                log.error("idle for %.0f s while %d jobs wait: this worker ends, to be started again", seconds, waits)
                self.end()

    def free(self, task_id: str) -> None:
        """End the process that works on this task, if it is one of this worker: its job was given away."""
        pid = self.slots().busy.get(task_id)
        if pid is not None:
            log.error("task %s gave no sign of life: ending its process", task_id)
            self.kill(pid)


def kill(pid: int) -> None:
    """Kill a child process, a stopped one too."""
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)


def end() -> None:
    """End this worker at once; its children are tied to it."""
    os._exit(EXIT_STATUS)
