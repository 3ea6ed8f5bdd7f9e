"""A real PostgreSQL server for tests, from the system's own packages, in a folder that is gone afterwards."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.worker.rig import wait_for

MISSING = "needs PostgreSQL: apt-get install postgresql"


@contextmanager
def postgresql() -> Iterator[str]:
    """Runs a server on a Unix socket; gives the SQLAlchemy URL of an empty database. Skips where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
    if not found:
        pytest.skip(MISSING)
    programs = found[-1].parent
    folder = Path(tempfile.mkdtemp(prefix="mw-pg-"))
    user = "postgres" if os.getuid() == 0 else None  # the server refuses to run as root
    if user:
        shutil.chown(folder, user)

    def start(*command: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            command,
            user=user,
            cwd=folder,
            stdout=subprocess.DEVNULL,
            stderr=(folder.parent / f"{folder.name}.log").open("ab"),
        )

    data = str(folder / "data")
    assert start(str(programs / "initdb"), "-D", data, "-U", "test", "-A", "trust", "-E", "UTF8").wait() == 0
    server = start(str(programs / "postgres"), "-D", data, "-k", str(folder), "-c", "listen_addresses=")
    try:
        wait_for(lambda: (folder / ".s.PGSQL.5432").exists(), 30)
        ready = str(programs / "pg_isready")
        wait_for(lambda: subprocess.run([ready, "-h", str(folder)], capture_output=True).returncode == 0, 30)
        yield f"postgresql+pg8000://test@/postgres?unix_sock={folder}/.s.PGSQL.5432"
    finally:
        server.terminate()
        server.wait(20)
        shutil.rmtree(folder, ignore_errors=True)
        (folder.parent / f"{folder.name}.log").unlink(missing_ok=True)
