"""A real PostgreSQL server for tests, from the system's own packages, in a folder that is gone afterwards."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.worker.rig import alive, send, tree, wait_for

MISSING = "needs PostgreSQL: apt-get install postgresql"
PORT = 5432


class PostgreSQL:
    """One server: it is started, may be killed and started again, and `remove` ends it with all that it kept.

    It listens on a Unix socket in its folder, and on an IPv4 address too where one is given, for all of its network.
    """

    def __init__(self, address: str = "", *options: str) -> None:
        found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
        if not found:
            pytest.skip(MISSING)
        self.programs = found[-1].parent
        self.folder = Path(tempfile.mkdtemp(prefix="mw-pg-"))
        self.address = address
        self.options = options
        self.user = "postgres" if os.getuid() == 0 else None  # the server refuses to run as root
        if self.user:
            shutil.chown(self.folder, self.user)
        self.log = self.folder.parent / f"{self.folder.name}.log"
        self.data = self.folder / "data"
        made = self._run("initdb", "-D", str(self.data), "-U", "test", "-A", "trust", "-E", "UTF8", "--no-sync")
        assert made.wait() == 0, self.log.read_text()
        if address:
            with (self.data / "pg_hba.conf").open("a") as rules:
                rules.write(f"host all all {address}/24 trust\n")
        self.start()

    @property
    def url(self) -> str:
        """The SQLAlchemy URL of the database, empty at first."""
        if self.address:
            return f"postgresql+pg8000://test@{self.address}:{PORT}/postgres"
        return f"postgresql+pg8000://test@/postgres?unix_sock={self.folder}/.s.PGSQL.{PORT}"

    def start(self) -> None:
        """Start the server and wait until it answers; what an earlier one kept is there again."""
        self.server = self._run(
            "postgres", "-D", str(self.data), "-k", str(self.folder), "-c", f"listen_addresses={self.address}",
            *(part for option in self.options for part in ("-c", option)),
        )  # fmt: skip
        ready = [str(self.programs / "pg_isready"), "-h", str(self.folder)]
        wait_for(lambda: subprocess.run(ready, capture_output=True).returncode == 0, 30)

    def kill(self) -> None:
        """Kill every process of the server, as a machine that loses its power, but for what its disk holds."""
        pids = tree(self.server.pid)
        send(signal.SIGKILL, pids)
        self.server.wait()
        wait_for(lambda: not any(alive(pid) for pid in pids))

    def stop(self) -> None:
        """Stop the server as its administrator does: clients are sent away, what they had begun is undone."""
        self.server.send_signal(signal.SIGINT)
        self.server.wait(30)

    def remove(self) -> None:
        """End the server and remove all that it kept."""
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)
        self.log.unlink(missing_ok=True)

    def _run(self, program: str, *arguments: str) -> subprocess.Popen[bytes]:
        with self.log.open("ab") as log:
            return subprocess.Popen(
                [str(self.programs / program), *arguments],
                user=self.user,
                cwd=self.folder,
                stdout=subprocess.DEVNULL,
                stderr=log,
            )


@contextmanager
def postgresql() -> Iterator[str]:
    """Runs a server on a Unix socket; gives the SQLAlchemy URL of an empty database. Skips where there is none."""
    server = PostgreSQL()
    try:
        yield server.url
    finally:
        server.remove()
