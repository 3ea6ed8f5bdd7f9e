"""How long jobs would wait at a million artworks a day, by the simulation: `python -m benchmarks.capacity_plan`.

The service times are measured; how people ask is assumed. Seeded: it prints the same table every time.
"""

from __future__ import annotations

import numpy as np

from benchmarks.queue_simulation import Seconds, resampled, waits

JOBS_A_DAY = 1_000_000
HOURS = 6.0
"""What is simulated: the six hours round the day's peak."""
PEAK = 1.6
"""Assumed: at its peak the day asks for so many times its mean; it rises and falls as a cosine."""
COLLECTIONS = 0.3
"""Assumed: so large a share of the jobs comes as whole collections, each dropped at one moment by one owner."""
COLLECTION_JOBS = (1_000, 5_000)
"""Assumed: from so many to so many jobs, every number as likely."""
OWNERS = 2_000
"""Assumed: so many owners ask for single jobs."""
SEED = 12

SERVICE_SECONDS = (1.34, 0.79, 2.08, 2.11, 1.36, 1.28, 0.62, 2.78, 1.84, 4.85)
"""Processor seconds of the samples, as the demo orders them, at one thread with warm tables; see CAPACITY.md."""

SPARE = (1.0, 1.25, 1.6, 2.0, 2.5)
"""Worker processes, as multiples of those that the mean day keeps busy."""


def asked_for(draw: np.random.Generator) -> tuple[Seconds, list[int]]:
    """When each job is asked for, in seconds, and by which owner."""
    mean = JOBS_A_DAY / 86400.0
    length = HOURS * 3600.0
    count = int(draw.poisson(mean * PEAK * length * (1 - COLLECTIONS)))
    moments = np.sort(draw.uniform(0.0, length, count))
    day = 1.0 + (PEAK - 1.0) * np.cos((moments - length / 2) / 86400.0 * 2 * np.pi)
    singles = moments[draw.uniform(0.0, PEAK, count) < day]
    in_collections = len(singles) * COLLECTIONS / (1 - COLLECTIONS)
    sizes = draw.integers(*COLLECTION_JOBS, round(in_collections / np.mean(COLLECTION_JOBS)), endpoint=True)
    dropped = np.repeat(draw.uniform(0.0, length, len(sizes)), sizes)
    owners = np.concatenate(
        [draw.integers(OWNERS, size=len(singles)), OWNERS + np.repeat(np.arange(len(sizes)), sizes)]
    )
    moments = np.concatenate([singles, dropped])
    order = np.argsort(moments, kind="stable")
    return moments[order], owners[order].tolist()


def print_plan(seconds: Seconds) -> None:
    """The waits of single jobs and of collections, by the number of worker processes."""
    draw = np.random.default_rng(SEED)
    moments, owners = asked_for(draw)
    single = np.array(owners) < OWNERS
    service = resampled(seconds, len(moments), draw)
    busy = JOBS_A_DAY / 86400.0 * float(seconds.mean())
    collections = len(set(owners)) - len({owner for owner in owners if owner < OWNERS})
    print(
        f"\n{len(moments)} jobs in {HOURS:g} h, {collections} collections among them; "
        f"mean service {seconds.mean():.2f} s, "
        f"so the mean day keeps {busy:.1f} worker processes busy and the peak {busy * PEAK:.1f}"
    )
    print(
        "\n| worker processes | times the mean day's | single jobs wait, mean | 95 % | 99 % | collections end within |"
    )
    print("|---|---|---|---|---|---|")
    for spare in SPARE:
        workers = round(busy * spare)
        waited = waits(moments, service, workers, owners=owners)
        mine = waited[single]
        longest = float(np.percentile(waited[~single], 99)) / 60.0
        print(
            f"| {workers} | {spare:g} | {mine.mean():.2f} s | {np.percentile(mine, 95):.2f} s | "
            f"{np.percentile(mine, 99):.2f} s | {longest:.0f} min (99 % of their jobs begun) |"
        )


if __name__ == "__main__":
    print_plan(np.array(SERVICE_SECONDS))
