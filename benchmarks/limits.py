"""The fab's limits, measured on all layers of a side: every place found, counted and the largest of them listed."""

from __future__ import annotations

import time
from pathlib import Path

from benchmarks.demo_board import demo_board
from benchmarks.fabrication import SIDE, dithered, threshold_like
from benchmarks.row import Row, at_most
from benchmarks.timing import medians
from worker.engine.fabrication.limits import measure_limits

BARS_S = {25: 0.25, 100: 1.0}
"""The promise is for 100 MP; a quarter of the board has a quarter of the time."""


def rows(_: Path) -> list[Row]:
    """Two pictures that break many limits, at two sizes, on two threads."""
    fab = demo_board()[0]
    out = []
    for name, make in (("threshold-like", threshold_like), ("dithered", dithered)):
        for area, bar in BARS_S.items():
            planes = make(area * 1_000_000 // SIDE, SIDE)
            seconds = medians({"ours": lambda planes=planes: measure_limits(planes, fab, threads=2)}, 3)["ours"]  # type: ignore[misc]
            begin = time.process_time()
            found = measure_limits(planes, fab, threads=2)
            detail = f"{time.process_time() - begin:.2f} CPU s, {found.total:,} places"
            out.append(at_most(f"limits of all layers measured, {area} MP {name}", seconds, bar, "s", detail))
    return out
