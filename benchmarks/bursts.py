"""A real burst of jobs through the real queue at two workers, and the same burst simulated.

One owner drops a collection while another keeps asking and a third asks now and then. The simulation knows when each
job was asked for, what kind of job it is, and service times of its kind that were measured before and after, on other
jobs; it is not told how long these jobs took.
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

Kinds = npt.NDArray[np.int64]
"""int64 (N,), of each job its number in QUICK."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """Measured: service times, and what a worker takes `between` two jobs and to notice one; in seconds.

    The times, which hold that between, are of one kind of job each, in the order of QUICK.
    """

    times: tuple[Seconds, ...]
    between: float
    notice: float


def calibrate(queue: MeasuredQueue) -> Service:
    """Service times with both workers busy, and what an idle worker takes to notice a job."""
    kinds = np.arange(CALIBRATION) % len(QUICK)
    done = queue.ended([queue.ask(QUICK[kind]) for kind in kinds])
    alone = []
    for _ in range(ALONE):
        alone += waited(queue.ended([queue.ask(QUICK[0])]))
    gap = between(done, WORKERS)
    times = of_kinds(np.array(served(done))[WORKERS:], kinds[WORKERS:])  # the first jobs have the machine to themselves
    return Service(times=tuple(each + gap for each in times), between=gap, notice=float(np.mean(alone)))


def of_kinds(times: Seconds, kinds: Kinds) -> tuple[Seconds, ...]:
    """Service times of jobs by the kind of each."""
    return tuple(times[kinds == kind] for kind in range(len(QUICK)))


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


def drawn_kinds(count: int) -> Kinds:
    """Of which kind each job of the burst is."""
    return np.random.default_rng(SEED + 1).integers(len(QUICK), size=count)


def run(queue: MeasuredQueue, moments: Seconds, owners: list[int], kinds: Kinds) -> list[Job]:
    """The burst itself; its jobs in the order in which they were asked for."""
    for owner in set(owners):
        queue.prepare(QUICK, str(owner))
    began = time.monotonic()
    ids: list[tuple[str, str]] = []
    for moment, owner, kind in zip(moments, owners, kinds, strict=True):
        time.sleep(max(0.0, began + float(moment) - time.monotonic()))
        ids.append((queue.ask(QUICK[kind], owner=str(owner)), str(owner)))
    queue.ended(())
    return [queue.rig.job(job_id, owner) for job_id, owner in ids]


def rows(queue: MeasuredQueue) -> list[Row]:
    """Measured against simulated: mean and 95th percentile of the wait, of all and of each owner's jobs.

    Other jobs are timed before and after, since a shared machine is slower at one time than at another. A second
    simulation draws from the service times of the burst itself: what it misses is the queue's, and not the machine's.
    Both know each job's kind, as a plan knows what is asked for: 62 jobs are too few for an even mix.
    """
    before = calibrate(queue)
    moments, owners = plan(float(np.mean([times.mean() for times in before.times])))
    kinds = drawn_kinds(len(owners))
    done = run(queue, moments, owners, kinds)
    after = calibrate(queue)
    service = Service(
        times=tuple(np.concatenate(both) for both in zip(before.times, after.times, strict=True)),
        between=(before.between + after.between) / 2,
        notice=(before.notice + after.notice) / 2,
    )
    own = replace(service, times=of_kinds(np.array(served(done)) + service.between, kinds))
    print(f"\nan idle worker notices a job within {service.notice:.3f} s; mean service times in seconds:")
    print("\n| kind of job | before | in the burst | after | jobs in the burst |\n|---|---|---|---|---|")
    for kind, order in enumerate(QUICK):
        means = [f"{each.times[kind].mean():.3f}" for each in (before, own, after)]
        print(f"| {(order.settings or {})['width']} wide | {' | '.join(means)} | {np.count_nonzero(kinds == kind)} |")
    measured = np.array(waited(done))
    asked = np.array([job.created for job in done]) - done[0].created
    simulated, with_own = _simulated(asked, owners, kinds, service), _simulated(asked, owners, kinds, own)
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


def _simulated(asked: Seconds, owners: list[int], kinds: Kinds, service: Service) -> npt.NDArray[np.float64]:
    """float64 (RUNS, N), the wait of each job in each run, in seconds."""
    draw = np.random.default_rng(SEED + 2)

    def once() -> Seconds:
        drawn = np.array([resampled(times, len(asked), draw) for times in service.times])
        lengths = drawn[kinds, np.arange(len(asked))]
        return waits(asked, lengths, WORKERS, owners=owners, notice_seconds=service.notice)

    return np.array([once() for _ in range(RUNS)])


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
