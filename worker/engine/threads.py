"""Work split over threads, with the same result on any number of them."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from typing import TypeVar

T = TypeVar("T")


@functools.lru_cache(maxsize=8)
def _pool(process: int, threads: int) -> ThreadPoolExecutor:
    """One pool per process, since threads don't survive a fork, and per number of threads."""
    return ThreadPoolExecutor(max_workers=threads, thread_name_prefix="engine")


def run_all(work: Callable[..., None], calls: Iterable[tuple[object, ...]], threads: int) -> None:
    """Call `work(*arguments)` for every tuple of arguments, on up to `threads` threads, and wait for all.

    Calls begin in order, so one may wait for one that stands before it; but none may call `run_all` itself.
    """
    listed = list(calls)
    if threads <= 1 or len(listed) <= 1:
        for arguments in listed:
            work(*arguments)
        return
    waiting = iter(listed)

    def some() -> None:
        for arguments in waiting:
            work(*arguments)

    # A call each, handed out by one thread, cost more than many a call's work: threads help themselves, this one too.
    pool = _pool(os.getpid(), threads)
    others = [pool.submit(some) for _ in range(min(threads, len(listed)) - 1)]
    try:
        some()
    finally:
        for other in others:
            other.result()


@functools.lru_cache(maxsize=1)
def _other(process: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(max_workers=1, thread_name_prefix="meanwhile")


@contextmanager
def meanwhile(work: Callable[[], T], threads: int) -> Iterator[Callable[[], T]]:
    """Do work on a thread of its own, if there may be more than one, while others go on; the call waits for what came
    of it, and raises what it raised.

    Both sides may call `run_all`, so twice as many threads may be busy. The work may not call this; what else is begun
    so meanwhile waits its turn. When the context ends, it has.
    """
    if threads <= 1:
        made = work()
        del work
        yield lambda: made
        return
    future = _other(os.getpid()).submit(work)
    del work  # and what it holds, as soon as it is done
    try:
        yield future.result
    finally:
        wait([future])


def row_strips(rows: int, strip: int) -> list[tuple[int, int]]:
    """(first, past the last) row of strips of `strip` rows, whatever the number of threads."""
    return [(first, min(first + strip, rows)) for first in range(0, rows, strip)]


def shared_strips(rows: int, threads: int) -> list[tuple[int, int]]:
    """(first, past the last) row of as many equal strips as threads."""
    return row_strips(rows, max(1, -(-rows // max(1, threads))))
