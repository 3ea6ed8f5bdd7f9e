"""The queue as a simulation: jobs of several owners, fair turns, workers of one lane; how long each job waits.

Turns are given as `worker/ledger/jobs.py` gives them: a job's turn is one after its owner's last, or the clock,
whichever is later; the lowest turn is next, the older job first among equals, and a claim raises the clock. Seeded by
whoever draws the jobs: the same jobs give the same waits. Lanes have workers and clocks of their own, so each is
simulated by itself.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Seconds = npt.NDArray[np.float64]
"""float64 (N,), in seconds."""


def waits(
    asked: Seconds, service: Seconds, workers: int, *, owners: Sequence[int] | None = None, notice_seconds: float = 0.0
) -> Seconds:
    """For how long each job waits, from when it was asked for until it is begun.

    Parameters
    ----------
    asked : float64 (N,), when each job was asked for, in seconds, rising.
    service : float64 (N,), for how long each holds its worker, in seconds.
    workers : worker processes of the lane.
    owners : the owner of each job, as a number; None: all are of one.
    notice_seconds : what an idle worker takes to notice a new job.

    Returns
    -------
    float64 (N,), in seconds.
    """
    if workers < 1 or len(asked) != len(service):
        raise ValueError(f"{workers} workers, {len(asked)} jobs asked for, {len(service)} service times")
    of = owners if owners is not None else [0] * len(asked)
    moments, lengths = asked.tolist(), service.tolist()
    begun = [0.0] * len(moments)
    line: list[tuple[int, int]] = []  # (turn, number) of the jobs that wait
    busy: list[float] = []  # when each worker that has a job is done with it
    last: dict[int, int] = {}
    clock = 0
    number = 0

    def begin(moment: float) -> None:
        nonlocal clock
        turn, job = heapq.heappop(line)
        clock = max(clock, turn)
        begun[job] = moment
        heapq.heappush(busy, moment + lengths[job])

    while number < len(moments) or line:
        if busy and (number == len(moments) or busy[0] <= moments[number]):
            free = heapq.heappop(busy)
            if line:
                begin(free)
            continue
        owner = of[number]
        last[owner] = max(last.get(owner, 0) + 1, clock)
        heapq.heappush(line, (last[owner], number))
        number += 1
        if len(busy) < workers:
            begin(moments[number - 1] + notice_seconds)
    return np.array(begun) - asked


def poisson_moments(rate: float, count: int, draw: np.random.Generator) -> Seconds:
    """When `count` jobs are asked for that nobody coordinates, `rate` in a second on average; float64 (count,)."""
    return np.cumsum(draw.exponential(1.0 / rate, count))


def resampled(measured: Seconds, count: int, draw: np.random.Generator) -> Seconds:
    """As many service times as wanted, each one of those that were measured; float64 (count,)."""
    return draw.choice(measured, count)
