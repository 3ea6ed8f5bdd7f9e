"""Kinds of job that only the tests have: loaded by a worker through Celery's own `--include tests.worker.kinds`."""

from __future__ import annotations

import ctypes
import os
import signal
import time

from worker import tasks
from worker.tasks import Outcome, Work


def copy(work: Work) -> Outcome:
    """Gives its artwork back."""
    data = work.artwork.read()
    work.progress("files", 1, 1)
    return Outcome(files=[("masks/copy.png", data), ("report.json", b"{}")], summary={"length": len(data)})


def sleep(work: Work) -> Outcome:
    """Sleeps as long as its settings say, and reports progress all along."""
    seconds = float(work.job.settings["seconds"])
    for tenth in range(round(seconds * 10)):
        work.progress("separation", tenth, round(seconds * 10))
        time.sleep(0.1)
    return copy(work)


def deaf(work: Work) -> Outcome:
    """Sits in one C call and hears neither a cancellation nor a soft time limit."""
    ctypes.PyDLL(None).sleep(int(work.job.settings["seconds"]))  # holds the interpreter's lock as bad C code does
    return copy(work)


def busy(work: Work) -> Outcome:
    """Sits in one C call that lets other threads run."""
    ctypes.CDLL(None).sleep(int(work.job.settings["seconds"]))
    return copy(work)


def crash(work: Work) -> Outcome:
    """Reads address 0."""
    ctypes.string_at(0)
    return copy(work)


def stop_once(work: Work) -> Outcome:
    """Stops its own process in its first attempt, as a machine that swaps does; later attempts go through."""
    if work.job.attempt == 1:
        os.kill(os.getpid(), signal.SIGSTOP)
    return copy(work)


def held(work: Work) -> Outcome:
    """Tells by which attempt it was made; the first ends once a file `let-go` is in the worker's data folder.

    It asks nobody whether its job is still its own.
    """
    while work.job.attempt == 1 and not (work.tables.parent / "let-go").exists():
        time.sleep(0.01)
    files = [("masks/copy.png", work.artwork.read()), ("attempt.txt", str(work.job.attempt).encode())]
    return Outcome(files=files, summary={"attempt": work.job.attempt})


def stop_worker_once(work: Work) -> Outcome:
    """Stops its whole worker in its first attempt, as a machine that sleeps; later attempts go through."""
    if work.job.attempt == 1:
        os.kill(os.getppid(), signal.SIGSTOP)
        os.kill(os.getpid(), signal.SIGSTOP)
    return copy(work)


def hungry(work: Work) -> Outcome:
    """Takes more and more memory, and would never stop."""
    eaten: list[bytes] = []
    while True:
        eaten.append(b"x" * (16 << 20))


def killed(work: Work) -> Outcome:
    """Is killed from outside, as the kernel does with whoever has the most memory when there is none left."""
    os.kill(os.getpid(), signal.SIGKILL)
    return copy(work)


def large(work: Work) -> Outcome:
    """Gives a result of as many MB as its settings say."""
    return Outcome(files=((f"{n}.bin", bytes(1 << 20)) for n in range(int(work.job.settings["mb"]))), summary={})


def faulty(work: Work) -> Outcome:
    """Has a fault."""
    raise ZeroDivisionError("secret place: /etc/nowhere")


def tells_all(work: Work) -> Outcome:
    """Has a fault that names its artwork."""
    raise ZeroDivisionError(f"can't open {work.job.name}, the emblem {work.job.name.rpartition('.')[0]}")


tasks.HOLD_SECONDS = (0.2, 0.4)
tasks.KINDS.update(
    copy=copy, sleep=sleep, deaf=deaf, busy=busy, crash=crash, stop_once=stop_once, hungry=hungry, faulty=faulty,
    tells_all=tells_all, killed=killed, large=large, stop_worker_once=stop_worker_once,
    held=held,
)  # fmt: skip
