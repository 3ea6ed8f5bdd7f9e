"""Work split over threads, with the same result on any number of them."""

from __future__ import annotations

import functools
import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor


@functools.lru_cache(maxsize=8)
def _pool(process: int, threads: int) -> ThreadPoolExecutor:
    """One pool per process, since threads don't survive a fork, and per number of threads."""
    return ThreadPoolExecutor(max_workers=threads, thread_name_prefix="engine")


def run_all(work: Callable[..., None], calls: Iterable[tuple[object, ...]], threads: int) -> None:
    """Call `work(*arguments)` for every tuple of arguments, on up to `threads` threads, and wait for all.

    The calls must not wait for one another, nor call `run_all` themselves.
    """
    listed = list(calls)
    if threads <= 1 or len(listed) <= 1:
        for arguments in listed:
            work(*arguments)
        return
    for done in [_pool(os.getpid(), threads).submit(work, *arguments) for arguments in listed]:
        done.result()


def row_strips(rows: int, strip: int) -> list[tuple[int, int]]:
    """(first, past the last) row of strips of `strip` rows, whatever the number of threads."""
    return [(first, min(first + strip, rows)) for first in range(0, rows, strip)]


def shared_strips(rows: int, threads: int) -> list[tuple[int, int]]:
    """(first, past the last) row of as many equal strips as threads."""
    return row_strips(rows, max(1, -(-rows // max(1, threads))))


def run_wavefront(work: Callable[[int, int], None], bands: int, chunks: int, threads: int) -> None:
    """Call `work(band, chunk)` for every tile, each after the tile to its left and the tile above it."""
    if threads <= 1:
        for band in range(bands):
            for chunk in range(chunks):
                work(band, chunk)
        return
    waits = {(i, j): (i > 0) + (j > 0) for i in range(bands) for j in range(chunks)}
    ready = [(0, 0)]
    left = bands * chunks
    turn = threading.Condition()
    failure: list[BaseException] = []

    def run() -> None:
        nonlocal left
        while True:
            with turn:
                while not ready and left and not failure:
                    turn.wait()
                if not left or failure:
                    return
                band, chunk = ready.pop()
            try:
                work(band, chunk)
            except BaseException as error:
                with turn:
                    failure.append(error)
                    turn.notify_all()
                return
            with turn:
                left -= 1
                for tile in ((band, chunk + 1), (band + 1, chunk)):
                    if tile in waits:
                        waits[tile] -= 1
                        if waits[tile] == 0:
                            ready.append(tile)
                turn.notify_all()

    run_all(run, [()] * threads, threads)
    if failure:
        raise failure[0]
