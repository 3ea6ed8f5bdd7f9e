"""How long things have stayed as they are: time in which nobody looked is no evidence."""

from __future__ import annotations

from worker.patience import Patience


class Clock:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.moment = 100.0

    def __call__(self) -> float:
        return self.moment


def test_what_is_seen_unchanged_is_counted_and_what_changes_begins_anew() -> None:
    clock = Clock()
    patience: Patience[str] = Patience(step_seconds=3.0, clock=clock)
    assert patience.look(["a"]) == {"a": 0.0}
    clock.moment += 1
    assert patience.look(["a", "b"]) == {"a": 1.0, "b": 0.0}
    clock.moment += 2
    assert patience.look(["b"]) == {"b": 2.0}
    clock.moment += 1
    assert patience.look(["a", "b"]) == {"a": 0.0, "b": 3.0}


def test_time_in_which_nobody_could_look_counts_as_one_step_at_most() -> None:
    clock = Clock()
    patience: Patience[str] = Patience(step_seconds=3.0, clock=clock)
    patience.look(["a"])
    clock.moment += 3600
    assert patience.look(["a"]) == {"a": 3.0}
