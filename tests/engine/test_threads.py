"""Work is done once, and a failure is not lost."""

from __future__ import annotations

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.engine.threads import meanwhile, row_strips, run_all, shared_strips


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


@pytest.mark.parametrize("workers", [1, 2])
def test_what_is_done_meanwhile_is_done_once_and_before_the_context_ends(workers: int) -> None:
    seen: list[int] = []
    with meanwhile(lambda: run_all(seen.append, [(i,) for i in range(20)], workers), workers) as found:
        run_all(seen.append, [(100 + i,) for i in range(20)], workers)
        assert found() is None and found() is None
        assert {i for i in seen if i < 100} == set(range(20))
    assert sorted(seen) == [*range(20), *range(100, 120)]


def test_what_is_done_meanwhile_goes_on_beside_others() -> None:
    reached = threading.Event()

    def work() -> bool:
        return reached.wait(60)

    with meanwhile(work, 2) as found:
        reached.set()
        assert found()


def test_a_failure_meanwhile_is_told_to_whoever_asks() -> None:
    def work() -> int:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"), meanwhile(work, 2) as found:
        found()


def test_what_is_done_meanwhile_has_ended_when_others_fail() -> None:
    ended, going = threading.Event(), threading.Event()

    def work() -> None:
        going.wait(60)
        ended.set()

    with pytest.raises(KeyError), meanwhile(work, 2):
        going.set()
        raise KeyError
    assert ended.is_set()
