"""The whole service under random kills with real jobs: nothing lost, nothing twice, nothing wrong, nothing left."""

from __future__ import annotations

import hashlib
import random
import signal
import socket
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from tests.conftest import FIGURES
from tests.engine.sweeps import sweep_size
from tests.worker.rig import answers, send, tree, wait_for
from tests.worker.serving import Service, serving
from worker.broker import Broker
from worker.client import Client, RefusedError
from worker.engine.pipeline import convert
from worker.errors import UnavailableError
from worker.fab_profile import read_fab_profile
from worker.housekeeping import Housekeeping
from worker.job_settings import read_settings
from worker.ledger import Ledger
from worker.settings import PROJECT, Environment
from worker.storage import open_store

pytestmark = pytest.mark.slow

JOBS = sweep_size(60, 200)
KILLS = sweep_size(5, 30)
SEED = 5
RECOVERY_SECONDS = 20.0

ARTWORK = PROJECT / "samples" / "artworks" / "quillmere-badge.png"
FAB = PROJECT / "samples" / "fabs" / "nocturne-gold.toml"
WIDTHS = ("20mm", "24mm", "28mm")
SETTINGS = {"pitch": "50um", "edges": "threshold"}
ENVIRONMENT = {
    "MASKWRIGHT_ATTEMPTS": "20",  # the limit has tests of its own; here only kills are at work
    "MASKWRIGHT_THREADS": "1",
    "MASKWRIGHT_DRAIN_SECONDS": "1",
}


def expected(width: str) -> dict[str, str]:
    """SHA-256 of every file that a conversion without any queue gives, but for the report, which tells seconds."""
    with ARTWORK.open("rb") as artwork:
        conversion = convert(
            artwork, read_fab_profile(FAB.read_bytes()), read_settings({**SETTINGS, "width": width}), name=ARTWORK.name
        )
    files = {path: hashlib.sha256(data).hexdigest() for path, data in conversion.files()}
    del files["report.json"]
    return files


class Askers(threading.Thread):
    """Asks for all jobs, each under a key of its own, one in four again; goes on asking until each is accepted."""

    def __init__(self, address: str, seed: int) -> None:
        super().__init__(daemon=True)
        self.address = address
        self.random = random.Random(seed)
        self.ids: dict[int, set[str]] = {number: set() for number in range(JOBS)}
        self.refused: list[RefusedError] = []

    def run(self) -> None:
        requests = [*range(JOBS), *self.random.sample(range(JOBS), JOBS // 4)]
        with Client(self.address) as client:
            for number in requests:
                while not self._ask(client, number):
                    time.sleep(0.2)
                time.sleep(self.random.random() * 0.2)

    def _ask(self, client: Client, number: int) -> bool:
        settings = {**SETTINGS, "width": WIDTHS[number % len(WIDTHS)]}
        try:
            job = client.submit(
                ARTWORK.name, ARTWORK.read_bytes(), fab=FAB.stem, settings=settings, idempotency_key=f"key-{number}"
            )
        except UnavailableError:
            return False
        except RefusedError as error:
            if error.status != 503:
                self.refused.append(error)
            return error.status != 503
        self.ids[number].add(job["id"])
        return True


VICTIMS = {
    "worker child": lambda service: [pid for pid in service.running("celery") if pid not in parents(service)],
    "worker parent": lambda service: parents(service),
    "broker": lambda service: service.running("valkey"),
    "HTTP server": lambda service: service.running("-m service"),
}


def parents(service: Service) -> list[int]:
    """The worker processes that have children, and those that have none yet."""
    workers = service.running("celery")
    below = {pid for worker in workers for pid in tree(worker)[1:]}
    return [pid for pid in workers if pid not in below]


def test_nothing_is_lost_or_done_twice_under_random_kills(
    tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    draw = random.Random(SEED)
    data = tmp_path / "data"
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with ExitStack() as stack:
        service = stack.enter_context(serving(data, port, **ENVIRONMENT))
        asker = Askers(service.address, SEED)
        asker.start()
        ledger = Ledger(f"sqlite:///{data / 'ledger.sqlite'}")
        stack.callback(ledger.close)
        kinds = [*VICTIMS, "all at once"] * (1 + KILLS // (len(VICTIMS) + 1))
        plan = kinds[:KILLS]
        draw.shuffle(plan)
        recoveries: list[float] = []
        for kind in plan:
            time.sleep(draw.uniform(0.3, 1.5))
            victims = tree(service.process.pid) if kind == "all at once" else VICTIMS[kind](service)
            with suppress(AssertionError):  # all may have ended
                wait_for(ledger.jobs.signs, 3.0)
            before = {sign.job_id: sign.token for sign in ledger.jobs.signs()}
            send(signal.SIGKILL, victims)
            killed = time.monotonic()
            if kind == "all at once":
                service = stack.enter_context(serving(data, port, **ENVIRONMENT))
            wait_for(lambda: answers(f"{asker.address}/readyz"), RECOVERY_SECONDS)
            if kind in ("worker child", "worker parent", "all at once"):
                lost = before.items()
                wait_for(
                    lambda lost=lost: not lost & {sign.job_id: sign.token for sign in ledger.jobs.signs()}.items(),
                    RECOVERY_SECONDS,
                )
            recoveries.append(time.monotonic() - killed)
        asker.join(180)
        assert not asker.is_alive() and not asker.refused, asker.refused
        assert all(len(ids) == 1 for ids in asker.ids.values()), "one id for each idempotency key"
        waiting = sum(ledger.jobs.waiting().values())
        if waiting:
            wait_for(lambda: sum(ledger.jobs.waiting().values()) < waiting, RECOVERY_SECONDS)
        wait_for(lambda: not any(ledger.jobs.waiting().values()) and not ledger.jobs.signs(), sweep_size(180, 600))

        listed = ledger.jobs.page("local", before=None, size=2 * JOBS)
        assert {job.id for job in listed} == {job_id for ids in asker.ids.values() for job_id in ids}
        wanted = {width: expected(width) for width in WIDTHS}
        store = open_store(Environment(data_dir=data))
        kept = set()
        with Client(service.address) as client:
            for number, (job_id,) in sorted(asker.ids.items()):
                job = ledger.jobs.get("local", job_id)
                assert job.state == "done", (job.failure, service.logs())
                files = {file["path"]: client.download(file) for file in client.files(job_id)}
                del files["report.json"]
                got = {path: hashlib.sha256(content).hexdigest() for path, content in files.items()}
                assert got == wanted[WIDTHS[number % len(WIDTHS)]]
                kept.add(ledger.jobs.package("local", job_id).key)
        attempts = [job.attempt for job in listed]
        assert max(attempts) > 1, "no kill met a job: this run proves nothing"
        told = f"{JOBS} jobs, {len(plan)} kills, {sum(n > 1 for n in attempts)} jobs of more than one attempt"
        record_property(FIGURES, f"{told}; recovered after {max(recoveries):.1f} s at most")

        Housekeeping(ledger, Broker(Environment(data_dir=data)), store=store).sweep(store, time.time() + 7 * 86400)
        assert {stored.key for stored in store.list("results")} == kept
        assert len(list(store.list("artworks"))) == 1 and not list((data / "store" / "spooled").iterdir())
