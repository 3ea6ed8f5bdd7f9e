"""A real burst of jobs through the real queue at two workers, and the same burst simulated.

One owner drops a collection while another keeps asking and a third asks now and then. The simulation knows when each
job was asked for, and service times that were measured before, on other jobs; it is not told how long these jobs took.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchmarks.measured_queue import QUICK, MeasuredQueue, between, served, waited
from benchmarks.queue_simulation import Seconds, poisson_moments, resampled, waits
from benchmarks.row import Row
from worker.job import Job

WORKERS = 2
SEED = 8
CALIBRATION = 24
ALONE = 8
COLLECTION = 30
STEADY = 24
SELDOM = 8
RUNS = 300
TOLERANCE = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """Measured: service times with what a worker takes `between` two jobs, and to notice one; in seconds."""

    times: Seconds
    between: float
    notice: float


def calibrate(queue: MeasuredQueue) -> Service:
    """Service times with both workers busy, and what an idle worker takes to notice a job."""
    done = queue.ended([queue.ask(QUICK[n % len(QUICK)]) for n in range(CALIBRATION)])
    alone = []
    for _ in range(ALONE):
        alone += waited(queue.ended([queue.ask(QUICK[0])]))
    gap = between(done, WORKERS)
    times = np.array(served(done[WORKERS:])) + gap  # the first jobs have the machine to themselves
    return Service(times=times, between=gap, notice=float(np.mean(alone)))


def plan(mean: float) -> tuple[Seconds, list[int]]:
    """When whose jobs are asked for; the steady owner alone keeps the workers busy for a third of their time."""
    draw = np.random.default_rng(SEED)
    steady = poisson_moments(0.33 * WORKERS / mean, STEADY, draw)
    seldom = poisson_moments(SELDOM / float(steady[-1]), SELDOM, draw)
    collection = np.full(COLLECTION, float(steady[STEADY // 6]))
    moments = np.concatenate([steady, seldom, collection])
    owners = np.repeat([0, 1, 2], [STEADY, SELDOM, COLLECTION])
    order = np.argsort(moments, kind="stable")
    return moments[order], owners[order].tolist()


def run(queue: MeasuredQueue, moments: Seconds, owners: list[int]) -> list[Job]:
    """The burst itself; its jobs in the order in which they were asked for."""
    draw = np.random.default_rng(SEED + 1)
    for owner in set(owners):
        queue.prepare(QUICK, str(owner))
    began = time.monotonic()
    ids: list[tuple[str, str]] = []
    for moment, owner in zip(moments, owners, strict=True):
        time.sleep(max(0.0, began + float(moment) - time.monotonic()))
        ids.append((queue.ask(QUICK[int(draw.integers(len(QUICK)))], owner=str(owner)), str(owner)))
    queue.ended(())
    return [queue.rig.job(job_id, owner) for job_id, owner in ids]


def rows(queue: MeasuredQueue) -> list[Row]:
    """Measured against simulated: mean and 95th percentile of the wait, of all and of each owner's jobs.

    Other jobs are timed before and after, since a shared machine is slower at one time than at another. A second
    simulation draws from the service times of the burst itself: what it misses is the queue's, and not the machine's.
    """
    before = calibrate(queue)
    moments, owners = plan(float(before.times.mean()))
    done = run(queue, moments, owners)
    after = calibrate(queue)
    service = Service(
        times=np.concatenate([before.times, after.times]),
        between=(before.between + after.between) / 2,
        notice=(before.notice + after.notice) / 2,
    )
    own = replace(service, times=np.array(served(done)) + service.between)
    print(
        f"\nmean service time of the burst's kind of jobs: {before.times.mean():.3f} s before, "
        f"{own.times.mean():.3f} s in it, {after.times.mean():.3f} s after; 95 % of those before and after under "
        f"{np.percentile(service.times, 95):.3f} s; an idle worker notices a job within {service.notice:.3f} s"
    )
    measured = np.array(waited(done))
    asked = np.array([job.created for job in done]) - done[0].created
    simulated, with_own = _simulated(asked, owners, service), _simulated(asked, owners, own)
    spread = simulated.mean(axis=1)
    print(
        f"{len(done)} jobs in {asked[-1]:.1f} s at {WORKERS} workers; simulated {RUNS} times, "
        f"mean wait {np.percentile(spread, 5):.2f} to {np.percentile(spread, 95):.2f} s in nine of ten runs"
    )
    print("\n| wait in seconds | measured | simulated | ratio | simulated with the burst's own service times | ratio |")
    print("|---|---|---|---|---|---|")
    for name, owner in (("of all", None), ("steady owner", 0), ("owner now and then", 1), ("owner of the burst", 2)):
        mine = np.array([owner is None or each == owner for each in owners])
        _line(f"mean {name}", measured[mine].mean(), simulated[:, mine].mean(), with_own[:, mine].mean())
    tail = float(np.percentile(measured, 95))
    tails = [float(np.percentile(each, 95, axis=1).mean()) for each in (simulated, with_own)]
    _line("95th percentile of all", tail, *tails)
    return [
        _row("mean wait of a burst at two workers", float(measured.mean()), float(simulated.mean())),
        _row("95th percentile of the wait of a burst at two workers", tail, tails[0]),
    ]


def _simulated(asked: Seconds, owners: list[int], service: Service) -> npt.NDArray[np.float64]:
    """float64 (RUNS, N), the wait of each job in each run, in seconds."""
    draw = np.random.default_rng(SEED + 2)
    return np.array(
        [
            waits(
                asked, resampled(service.times, len(asked), draw), WORKERS, owners=owners, notice_seconds=service.notice
            )
            for _ in range(RUNS)
        ]
    )


def _line(name: str, measured: float, simulated: float, own: float) -> None:
    print(
        f"| {name} | {measured:.2f} | {simulated:.2f} | {measured / simulated:.2f} | {own:.2f} | {measured / own:.2f} |"
    )


def _row(name: str, measured: float, simulated: float) -> Row:
    ratio = measured / simulated
    return Row(
        figure=name,
        bar=f"{1 - TOLERANCE:g} to {1 + TOLERANCE:g} x the simulated one",
        measured=f"{ratio:.2f} x ({measured:.2f} s, simulated {simulated:.2f} s)",
        met=abs(ratio - 1) <= TOLERANCE,
    )
