"""Run the benchmarks and print one table; `--quick` leaves out what takes minutes, `--only NAME` runs one group alone.

Ratios are against the named peer in the same run: "2.0 x" is twice as fast. Exit status 0 whatever the figures say:
speed is for people to judge.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from benchmarks import (
    command_line,
    dithering,
    fabrication,
    file_paths,
    large_artwork,
    limits,
    nearest_finish,
    planning,
    separations,
    whole_package,
)
from benchmarks.row import Row, at_most, print_table


def queue_rows(_: Path) -> list[Row]:
    """What the queue costs a worker for each job."""
    from benchmarks import queue_cost  # loads Celery, which the other rows can do without

    found = queue_cost.measure()
    return [
        at_most(
            "queue cost per job at two workers",
            found.cost_ms,
            queue_cost.BAR_MS,
            "ms",
            f"{found.queued_ms:.1f} ms through the queue, {found.direct_ms:.1f} ms directly",
        )
    ]


def preview_rows(folder: Path) -> list[Row]:
    """What previews over HTTP take while both batch workers are busy."""
    from benchmarks import preview

    return preview.rows(folder)


def capacity_rows(folder: Path) -> list[Row]:
    """What jobs ask of PostgreSQL, Redis and the store, and how long they wait in a burst."""
    from benchmarks import capacity

    return capacity.rows(folder)


def collection_rows(folder: Path) -> list[Row]:
    """What a collection costs beside its conversions, its memory, and what a second worker gains."""
    from benchmarks import collections

    return collections.rows(folder)


GROUPS: dict[str, Callable[[Path], list[Row]]] = {
    "finishes": nearest_finish.rows,
    "dithering": dithering.rows,
    "files": file_paths.rows,
    "command": command_line.rows,
    "contours": fabrication.rows,
    "limits": limits.rows,
    "plans": planning.rows,
    "separations": separations.rows,
    "package": whole_package.rows,
    "large": large_artwork.rows,
    "queue": queue_rows,
    "previews": preview_rows,
    "capacity": capacity_rows,
    "collections": collection_rows,
}
"""Groups of rows by the name that `--only` knows them by."""
SLOW = ("separations", "package", "large", "queue", "previews", "capacity", "collections")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument("--quick", action="store_true", help=f"leave out {', '.join(SLOW)} (minutes, 2.6 GB on disk)")
    choice.add_argument(
        "--only", action="append", choices=GROUPS, metavar="NAME", help=f"run this group alone: {', '.join(GROUPS)}"
    )
    arguments = parser.parse_args()
    chosen = arguments.only or [name for name in GROUPS if not (arguments.quick and name in SLOW)]
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="maskwright-bench-") as name:
        for group in GROUPS:
            if group in chosen:
                rows += GROUPS[group](Path(name))
    print_table(rows, cores=os.cpu_count() or 1)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
