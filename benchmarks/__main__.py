"""Run every benchmark and print one table; `python -m benchmarks --quick` leaves out the 900 MP picture.

Ratios are against the named peer in the same run: "2.0 x" is twice as fast. Exit status 0 whatever the figures say:
speed is for people to judge.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from pathlib import Path

from benchmarks import command_line, dithering, fabrication, file_paths, large_artwork, nearest_finish
from benchmarks.row import Row, at_most, print_table


def queue_row() -> Row:
    """What the queue costs a worker for each job."""
    from benchmarks import queue_cost  # loads Celery, which the other rows can do without

    found = queue_cost.measure()
    return at_most(
        "queue cost per job at two workers",
        found.cost_ms,
        queue_cost.BAR_MS,
        "ms",
        f"{found.queued_ms:.1f} ms through the queue, {found.direct_ms:.1f} ms directly",
    )


def preview_rows(folder: Path) -> list[Row]:
    """What previews over HTTP take while both batch workers are busy."""
    from benchmarks import preview

    return preview.rows(folder)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument(
        "--quick", action="store_true", help="leave out the 900 MP picture (2.6 GB on disk), queue and previews"
    )
    quick = parser.parse_args().quick
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="maskwright-bench-") as name:
        folder = Path(name)
        for run in (nearest_finish.rows, dithering.rows, file_paths.rows, command_line.rows, fabrication.rows):
            rows += run(folder)
        if not quick:
            rows += large_artwork.rows(folder)
            rows.append(queue_row())
            rows += preview_rows(folder)
    print_table(rows, cores=os.cpu_count() or 1)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
