"""The whole service by its start command, for tests."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.worker.rig import descendants, send
from worker.settings import PROJECT, child_environment


@dataclass(frozen=True)
class Service:
    """A running service."""

    process: subprocess.Popen[str]
    address: str
    data: Path

    def below(self) -> list[int]:
        return descendants(self.process.pid)

    def running(self, words: str) -> list[int]:
        """The processes below it whose command line has these words, parents before their children."""
        return [pid for pid in self.below() if words in command_line(pid)]

    def logs(self) -> str:
        return "\n".join(path.read_text("utf-8", "replace")[-2000:] for path in (self.data / "logs").iterdir())


def command_line(pid: int) -> str:
    """The command line of a process, "" where it is gone."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ")
    except (FileNotFoundError, ProcessLookupError):
        return ""


@contextmanager
def serving(data: Path, port: int = 0, **changes: str) -> Iterator[Service]:
    """The service, ended with all it started, whatever a test did to it. What it says goes to `said` in its folder."""
    command = [sys.executable, "-m", "worker.embedded", "--port", str(port), "--data-dir", str(data)]
    data.mkdir(parents=True, exist_ok=True)
    with (data / "said").open("ab") as said:
        process = subprocess.Popen(
            command,
            cwd=PROJECT,
            env=child_environment(changes),
            stdout=subprocess.PIPE,
            stderr=said,
            text=True,
            start_new_session=True,
        )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert "http://127.0.0.1:" in line, (data / "said").read_text()
        assert "no key" in process.stdout.readline()
        yield Service(process=process, address=line.split()[-1], data=data)
    finally:
        below = descendants(process.pid)
        process.kill()
        process.wait()
        send(signal.SIGKILL, below)
