"""The simulation of the queue against closed forms of queueing theory, and its turns against the ledger's own.

The formulas are those of D. Gross, J. F. Shortle, J. M. Thompson and C. M. Harris, Fundamentals of Queueing Theory,
4th edition, Wiley 2008: M/M/1 and M/M/c (Erlang C) in chapter 2, M/G/1 (Pollaczek-Khinchine) in chapter 5. Written from
memory; the values of Erlang's C that pin them are worked out by hand beside them.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from benchmarks.queue_simulation import Seconds, poisson_moments, resampled, waits
from worker.job import JobRequest
from worker.ledger import Ledger

JOBS = 200_000
BATCHES = 40


def erlang_c(workers: int, load: float) -> float:
    """The probability that a job has to wait, in M/M/c; `load` is arrival rate over service rate."""
    last = load**workers / math.factorial(workers) * workers / (workers - load)
    return last / (sum(load**n / math.factorial(n) for n in range(workers)) + last)


def test_erlang_c_itself() -> None:
    """One worker: the load. Two, load 1: 1 / (1 + 1 + 1) = 1/3. Three, load 2: 4 / (1 + 2 + 2 + 4) = 4/9."""
    assert erlang_c(1, 0.8) == pytest.approx(0.8)
    assert erlang_c(2, 1.0) == pytest.approx(1 / 3)
    assert erlang_c(3, 2.0) == pytest.approx(4 / 9)


def agrees(sample: Seconds, expected: float) -> None:
    """Within three standard errors of the mean of batches, which must be small enough to tell anything."""
    means = sample[len(sample) // 10 :].reshape(BATCHES, -1).mean(axis=1)
    error = means.std(ddof=1) / math.sqrt(BATCHES)
    assert error < 0.05 * expected, "too few jobs to tell"
    assert abs(means.mean() - expected) < 3 * error


@pytest.mark.parametrize(("workers", "use"), [(1, 0.5), (1, 0.8), (2, 0.8), (4, 0.7), (6, 0.7)])
def test_exponential_service(workers: int, use: float) -> None:
    """M/M/c: mean wait C / (c mu - lambda), and the share that waits longer than t: C exp(-(c mu - lambda) t)."""
    draw = np.random.default_rng(workers)
    rate = use * workers
    waited = waits(poisson_moments(rate, JOBS, draw), draw.exponential(1.0, JOBS), workers)
    must_wait = erlang_c(workers, rate)
    agrees(waited, must_wait / (workers - rate))
    for t in (0.0, 1.0):
        agrees((waited > t).astype(np.float64), must_wait * math.exp(-(workers - rate) * t))


@pytest.mark.parametrize("use", [0.5, 0.8])
def test_constant_service(use: float) -> None:
    """M/D/1: mean wait rho / (2 mu (1 - rho)), half of M/M/1's."""
    draw = np.random.default_rng(3)
    agrees(waits(poisson_moments(use, JOBS, draw), np.ones(JOBS), 1), use / (2 * (1 - use)))


def test_service_drawn_from_a_sample() -> None:
    """M/G/1: mean wait lambda E[S^2] / (2 (1 - rho)), with the sample's own moments."""
    draw = np.random.default_rng(4)
    measured = np.array([0.2, 0.3, 0.5, 4.0])
    rate = 0.6 / float(measured.mean())
    waited = waits(poisson_moments(rate, JOBS, draw), resampled(measured, JOBS, draw), 1)
    agrees(waited, rate * float((measured**2).mean()) / (2 * (1 - 0.6)))


def test_who_comes_first_is_the_only_thing_that_owners_change() -> None:
    """Kleinrock's conservation law: with service times that are not looked at, the mean wait of all stays as it was."""
    draw = np.random.default_rng(5)
    asked, service = poisson_moments(0.8, JOBS, draw), draw.exponential(1.0, JOBS)
    owners = draw.choice(3, JOBS, p=(0.8, 0.1, 0.1))
    fair = waits(asked, service, 1, owners=owners.tolist())
    agrees(fair, 0.8 / (1 - 0.8))
    assert fair[owners > 0].mean() < fair[owners == 0].mean()


def test_an_idle_worker_takes_its_time_to_notice() -> None:
    asked = np.array([0.0, 0.1, 10.0])
    assert waits(asked, np.ones(3), 1, notice_seconds=0.25).tolist() == pytest.approx([0.25, 1.15, 0.25])


def test_turns_are_the_ledgers_own(tmp_path: Path) -> None:
    """Jobs of four owners asked for and claimed in a random order: the ledger hands out the very same ones."""
    draw = np.random.default_rng(6)
    ledger = Ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}")
    ledger.migrate()
    count = 60
    owners = draw.choice(4, count, p=(0.7, 0.1, 0.1, 0.1)).tolist()
    asked = np.sort(draw.uniform(0.0, 30.0, count))
    service = np.full(count, 0.7)
    begun = asked + waits(asked, service, 1, owners=owners)
    for owner in range(4):
        ledger.fabs.create(str(owner), "none", "none", b"")
    events = sorted(
        [(moment, 0, job) for job, moment in enumerate(asked)] + [(at, 1, job) for job, at in enumerate(begun)]
    )
    for _, claims, job in events:
        if claims:
            claim = ledger.jobs.claim("batch", "task")
            assert claim is not None and claim.job.name == str(job)
        else:
            request = JobRequest(
                owner=str(owners[job]), kind="convert", lane="batch", name=str(job), artwork="0" * 64, artwork_bytes=1,
                fab_id="none", fab_revision="none", settings={}, fingerprint="",
            )  # fmt: skip
            ledger.jobs.add(request)
    ledger.close()
