"""Work is done once, in the promised order, and a failure is not lost."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from worker.engine.threads import row_strips, run_all, run_wavefront, shared_strips

counts = st.integers(1, 9)
threads = st.sampled_from([1, 2, 4])


@given(st.integers(0, 500), st.integers(1, 60))
def test_strips_cover_every_row_once(rows: int, strip: int) -> None:
    strips = row_strips(rows, strip)
    assert [row for first, last in strips for row in range(first, last)] == list(range(rows))
    assert all(0 < last - first <= strip for first, last in strips)


@given(st.integers(0, 500), st.integers(1, 16))
def test_shared_strips_are_no_more_than_threads(rows: int, workers: int) -> None:
    strips = shared_strips(rows, workers)
    assert len(strips) <= workers
    assert [row for first, last in strips for row in range(first, last)] == list(range(rows))


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_every_call_is_made_once(workers: int) -> None:
    seen: list[int] = []
    lock = threading.Lock()

    def work(number: int) -> None:
        with lock:
            seen.append(number)

    run_all(work, [(i,) for i in range(50)], workers)
    assert sorted(seen) == list(range(50))


@pytest.mark.parametrize("workers", [1, 3])
def test_a_failure_comes_back(workers: int) -> None:
    def work(number: int) -> None:
        if number == 3:
            raise ValueError("number 3 failed")

    with pytest.raises(ValueError, match="number 3 failed"):
        run_all(work, [(i,) for i in range(6)], workers)


def order_of(work: Callable[[int, int], None], bands: int, chunks: int, workers: int) -> list[tuple[int, int]]:
    done: list[tuple[int, int]] = []
    lock = threading.Lock()

    def noted(band: int, chunk: int) -> None:
        work(band, chunk)
        with lock:
            done.append((band, chunk))

    run_wavefront(noted, bands, chunks, workers)
    return done


@given(counts, counts, threads)
@settings(max_examples=60, deadline=None)
def test_a_tile_comes_after_the_one_to_its_left_and_the_one_above(bands: int, chunks: int, workers: int) -> None:
    begun_early: list[tuple[int, int]] = []
    finished: set[tuple[int, int]] = set()

    def work(band: int, chunk: int) -> None:
        for before in ((band - 1, chunk), (band, chunk - 1)):
            if min(before) >= 0 and before not in finished:
                begun_early.append((band, chunk))
        finished.add((band, chunk))

    done = order_of(work, bands, chunks, workers)
    assert sorted(done) == [(band, chunk) for band in range(bands) for chunk in range(chunks)]
    assert begun_early == []


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_a_failed_tile_stops_the_rest(workers: int) -> None:
    begun: list[tuple[int, int]] = []

    def work(band: int, chunk: int) -> None:
        begun.append((band, chunk))
        if (band, chunk) == (1, 1):
            raise RuntimeError("tile 1, 1 failed")

    with pytest.raises(RuntimeError, match="tile 1, 1 failed"):
        order_of(work, 6, 6, workers)
    assert (2, 2) not in begun
