"""Timing side by side: the contenders take turns, so that a slow moment of the machine hits them alike."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Mapping


def medians(contenders: Mapping[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """Median wall time in seconds of each contender over `rounds` rounds, after one round that doesn't count."""
    seconds: dict[str, list[float]] = {name: [] for name in contenders}
    for turn in range(rounds + 1):
        for name, work in contenders.items():
            begin = time.perf_counter()
            work()
            if turn:
                seconds[name].append(time.perf_counter() - begin)
    return {name: statistics.median(times) for name, times in seconds.items()}
