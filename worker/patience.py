"""How long things have stayed as they are, by this process's own looks at them."""

from __future__ import annotations

import time
from collections.abc import Callable, Hashable, Iterable
from typing import Generic, TypeVar

Thing = TypeVar("Thing", bound=Hashable)

STEP_SECONDS = 3.0
"""The most that one look adds."""


class Patience(Generic[Thing]):
    """Counts the seconds that things are seen unchanged, one look after the other.

    A thing that is missing at a look is forgotten. A look counts the time since the look before, but never more than
    `step_seconds`: time in which nobody could look (the database was away, this process was stopped, the machine
    slept) is no evidence against anyone. The clock is the machine's steady one, so a wall clock may jump as it likes.
    """

    def __init__(self, *, step_seconds: float = STEP_SECONDS, clock: Callable[[], float] = time.monotonic) -> None:
        self.step_seconds = step_seconds
        self.clock = clock
        self.looked: float | None = None
        self.seen: dict[Thing, float] = {}

    def look(self, things: Iterable[Thing]) -> dict[Thing, float]:
        """The things that are there now, and for how many seconds each has been seen so."""
        moment = self.clock()
        step = 0.0 if self.looked is None else min(moment - self.looked, self.step_seconds)
        self.looked = moment
        self.seen = {thing: self.seen[thing] + step if thing in self.seen else 0.0 for thing in things}
        return self.seen
