"""How long each stage of a job took, from the progress that it reports."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass(slots=True)
class StageTimes:
    """Stands between a job and whoever takes its progress, and notes when each stage began."""

    report: Callable[[str, int, int], None]
    begun: list[tuple[str, int]] = field(default_factory=list)
    """Each stage and when it began, in nanoseconds since 1970, in order; a stage may come twice."""

    def __call__(self, stage: str, done: int, of: int) -> None:
        """Take the progress, and hand it on."""
        if not self.begun or self.begun[-1][0] != stage:
            self.begun.append((stage, time.time_ns()))
        self.report(stage, done, of)

    def spans(self) -> list[tuple[str, int, int]]:
        """Each stage with its begin and end, the last one ending now."""
        ends = [*(moment for _, moment in self.begun), time.time_ns()][1:]
        return [(stage, begin, end) for (stage, begin), end in zip(self.begun, ends, strict=True)]

    def seconds(self) -> dict[str, float]:
        """Seconds of each stage until now."""
        told: dict[str, float] = {}
        for stage, begin, end in self.spans():
            told[stage] = round(told.get(stage, 0.0) + max(0, end - begin) / 1e9, 3)
        return told
