"""Timing side by side: the contenders take turns, so that a slow moment of the machine hits them alike."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping


def best_of(contenders: Mapping[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """Shortest wall time in seconds of each contender over `rounds` rounds, after one round that doesn't count."""
    best = dict.fromkeys(contenders, float("inf"))
    for turn in range(rounds + 1):
        for name, work in contenders.items():
            begin = time.perf_counter()
            work()
            if turn:
                best[name] = min(best[name], time.perf_counter() - begin)
    return best
