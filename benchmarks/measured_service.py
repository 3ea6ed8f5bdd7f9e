"""A whole service in processes of its own, whose processor time and memory are read from the system."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from benchmarks.counters import TICKS, processor_seconds
from tests.worker.rig import tree
from tests.worker.serving import command_line
from worker.settings import PROJECT, child_environment

PARTS = (
    ("valkey", "broker"),
    ("interactive@", "interactive worker"),
    ("celery", "batch workers"),
    ("-m service", "HTTP"),
)
QUIET = 0.15
"""Processor seconds in a second, at most, of a service that has started and does nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredService:
    """A running service. Parts are `broker`, `batch workers`, `interactive worker`, `HTTP` and `keeper`."""

    pid: int
    address: str

    def seconds(self) -> Counter[str]:
        """Processor seconds of each part since it started."""
        found: Counter[str] = Counter()
        for pid, part in self._processes():
            found[part] += processor_seconds(pid)  # type: ignore[assignment]
        return found

    def peaks_mb(self) -> dict[str, float]:
        """The most memory that one process of each part held since it started, in MB."""
        found: dict[str, float] = {}
        for pid, part in self._processes():
            found[part] = max(found.get(part, 0.0), _peak_mb(pid))
        return found

    def idle(self, seconds: float) -> Counter[str]:
        """Processor seconds of each part in a second in which nothing is asked; waits until all have started."""
        while True:
            before = self.seconds()
            time.sleep(seconds)
            used: Counter[str] = Counter()
            for part, now in self.seconds().items():
                used[part] = (now - before[part]) / seconds  # type: ignore[assignment]
            if sum(used.values()) < QUIET:
                return used

    def _processes(self) -> Iterator[tuple[int, str]]:
        for pid in tree(self.pid):
            words = command_line(pid)
            yield pid, next((part for word, part in PARTS if word in words), "keeper")


def _peak_mb(pid: int) -> float:
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return 0.0
    peak = next((line for line in status.splitlines() if line.startswith("VmHWM:")), "VmHWM: 0 kB")
    return int(peak.split()[1]) / 1024.0


@contextmanager
def measured_service(data: Path, module: str, **changes: str) -> Iterator[MeasuredService]:
    """The service that `python -m module` starts over a data folder, ended in order."""
    data.mkdir(parents=True, exist_ok=True)
    with (data / "said").open("wb") as said:
        process = subprocess.Popen(
            [sys.executable, "-m", module, "--port", "0", "--data-dir", str(data)],
            cwd=PROJECT,
            env=child_environment({"MASKWRIGHT_OWNER_WAITING_JOBS": "0", **changes}),
            stdout=subprocess.PIPE,
            stderr=said,
            text=True,
            start_new_session=True,
        )
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            if "http://" not in line:
                raise RuntimeError(f"the service did not start: {(data / 'said').read_text()}")
            yield MeasuredService(pid=process.pid, address=line.split()[-1])
        finally:
            process.terminate()
            process.wait()


def machine_seconds() -> float:
    """Processor seconds that all processes of this machine have used since it started."""
    fields = Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:]
    user, nice, system, _, _, irq, soft_irq = map(int, fields[:7])
    return (user + nice + system + irq + soft_irq) / TICKS


def cores() -> int:
    """Cores of this machine."""
    return os.cpu_count() or 1
