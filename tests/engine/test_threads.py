"""Work is done once, and a failure is not lost."""

from __future__ import annotations

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.engine.threads import row_strips, run_all, shared_strips


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
