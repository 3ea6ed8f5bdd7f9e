"""What a job asks of each part of an installation, and how many jobs it does: the figures that CAPACITY.md counts with.

PostgreSQL and Redis are real, on loopback; moto's server stands for the store, so its own processor time says nothing.
Operation counts and processor seconds hold on a busy machine too; jobs per second do not.
"""

from __future__ import annotations

import signal
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from benchmarks import bursts
from benchmarks.capacity_plan import print_plan
from benchmarks.counters import EXTENSION, Counts
from benchmarks.measured_queue import QUICK, TRIVIAL, MeasuredQueue, Order, processor_seconds_of, served, typical
from benchmarks.row import Row
from tests.worker.machines import machines
from worker.client import Client
from worker.job import Job

TRIVIAL_JOBS = 300
QUICK_JOBS = 24
ASKED = 100
IDLE_SECONDS = 8.0
POSTS = 60
LOOKS = 100
WORKERS = (1, 2, 4)


def rows(folder: Path) -> list[Row]:
    """Measure everything and print it; the rows are of what has a bar."""
    orders = typical()
    seconds = processor_seconds_of(orders, folder)
    print("\n| artwork | processor seconds at one thread, warm tables |\n|---|---|")
    for order, each in zip(orders, seconds, strict=True):
        print(f"| {order.artwork.name} | {each:.2f} |")
    print(f"| mean | {np.mean(seconds):.2f} |")
    print_plan(np.array(seconds))
    with machines(0, options=EXTENSION, MASKWRIGHT_THREADS="1", MASKWRIGHT_LEASE_SECONDS="12") as rig:
        queue = MeasuredQueue(rig)
        try:
            return _measure(queue)
        finally:
            queue.close()


def _measure(queue: MeasuredQueue) -> list[Row]:
    address = queue.rig.start_service()
    of_http = queue.idle(IDLE_SECONDS)
    _print_counts("an idle HTTP server, each second", of_http)
    before = queue.counters.read()
    for _ in range(ASKED):
        queue.ask(TRIVIAL)
    time.sleep(0.5)
    asking = queue.counters.read().less(before, idle=of_http, times=1.5).each(ASKED)
    found: list[Row] = []
    rates: list[tuple[int, float, float]] = []
    for workers in WORKERS:
        worker = queue.rig.start_worker(processes=workers, also="benchmarks.queue_cost")
        queue.ended(())
        queue.ended([queue.ask(order) for order in (*QUICK, *QUICK)])  # every process loads its tables
        if workers == 2:
            idle = queue.idle(IDLE_SECONDS)
            _print_counts("an idle worker, each second", idle.less(of_http))
            _print_jobs("a job that is all queue", queue, (TRIVIAL,) * TRIVIAL_JOBS, asking, idle)
            queue.ended([queue.ask(order) for order in typical()])  # tables of all fabs
            done = _print_jobs("a typical job", queue, typical(), asking, idle)
            _print_typical(done, queue.result_bytes(done))
            found += bursts.rows(queue)
        rates.append((workers, _rate(queue, (TRIVIAL,) * TRIVIAL_JOBS), _rate(queue, QUICK * (QUICK_JOBS // 3))))
        worker.send_signal(signal.SIGTERM)
        worker.wait()
    print("\n| worker processes | jobs/s, all queue | jobs/s, small conversions |\n|---|---|---|")
    for workers, trivial, quick in rates:
        print(f"| {workers} | {trivial:.0f} | {quick:.2f} |")
    _measure_http(queue, address, of_http)
    return found


def _rate(queue: MeasuredQueue, orders: Sequence[Order]) -> float:
    """Jobs per second, from the first claim to the last publication."""
    done = queue.ended([queue.ask(order) for order in orders])
    return len(done) / (max(job.finished or 0.0 for job in done) - min(job.started or 0.0 for job in done))


def _print_jobs(what: str, queue: MeasuredQueue, orders: Sequence[Order], asking: Counts, idle: Counts) -> list[Job]:
    each, done = queue.counted(orders, asking=asking, idle=idle)
    if orders[0] is TRIVIAL:
        _print_counts("to put one job into the queue, without HTTP", asking)
    _print_counts(f"{what}, once it is in the queue ({len(orders)} of them)", each)
    return done


def _print_typical(done: Sequence[Job], sizes: Sequence[int]) -> None:
    seconds = np.array(served(done))
    print("\n| artwork | seconds at one thread, both workers busy | artwork bytes | result bytes |\n|---|---|---|---|")
    for job, time_taken, size in zip(done, seconds, sizes, strict=True):
        print(f"| {job.name} | {time_taken:.2f} | {job.artwork_bytes} | {size} |")
    print(
        f"| mean | {seconds.mean():.2f} | {np.mean([job.artwork_bytes for job in done]):.0f} | {np.mean(sizes):.0f} |"
    )


def _measure_http(queue: MeasuredQueue, address: str, idle: Counts) -> None:
    """With no worker running: what requests cost."""
    finished = queue.rig.ledger.jobs.page("local", before=None, size=1)[0]
    order = QUICK[0]
    data = order.artwork.read_bytes()
    with Client(address) as client:
        client.submit(order.artwork.name, data, fab=order.fab, settings={"width": "20mm"})

        def post(number: int) -> None:
            client.submit(f"{number}.png", data + bytes([number]), fab=order.fab, settings={"width": "20mm"})

        def look(_: int) -> None:
            client.job(finished.id)

        def fetch(_: int) -> None:
            for file in client.files(finished.id):
                client.download(file)

        for what, ask, times in (
            (f"POST of a job with {len(data)} bytes of artwork", post, POSTS),
            ("GET of a job", look, LOOKS),
            ("GET of a job's list of files and of each file", fetch, LOOKS // 5),
        ):
            before, began = queue.counters.read(), time.monotonic()
            for number in range(times):
                ask(number)
            seconds = time.monotonic() - began
            time.sleep(0.5)
            found = queue.counters.read().less(before, idle=idle, times=seconds + 0.5)
            _print_counts(what, found.each(times))


def _print_counts(what: str, counts: Counts) -> None:
    print(f"\n**{what}**\n\n| of | how much | which |\n|---|---|---|")
    print(f"| SQL statements | {_total(counts.statements)} | {_named(counts.statements)} |")
    print(f"| SQL transactions | {counts.commits:.2f} | |")
    print(f"| Redis commands | {_total(counts.commands)} | {_named(counts.commands)} |")
    print(f"| store requests | {_total(counts.requests)} | {_named(counts.requests)} |")
    print(
        f"| bytes | | SQL rows and indices {counts.sql_bytes:.0f}, SQL log {counts.wal_bytes:.0f}, "
        f"Redis file {counts.redis_bytes:.0f} |"
    )
    seconds = ", ".join(f"{name} {value * 1000:.2f}" for name, value in sorted(counts.seconds.items()))
    print(f"| processor milliseconds | | {seconds} |")


def _total(counter: Counter[str]) -> str:
    return f"{sum(counter.values()):.2f}"


def _named(counter: Counter[str]) -> str:
    return ", ".join(f"{name} {value:.2f}" for name, value in counter.most_common() if abs(value) >= 0.05)
