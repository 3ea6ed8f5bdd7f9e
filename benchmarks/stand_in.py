"""A service whose conversions are stand-ins: each gives the files of one real result, and works on nothing.

`python -m benchmarks.stand_in --data-dir D` serves as `python -m worker.embedded` does; the result lies in
`D/stand-in`. So what a conversion costs beside its work can be counted, by thousands.
"""

from __future__ import annotations

import json
import sys
from functools import lru_cache
from pathlib import Path
from typing import Any

from worker import embedded, tasks
from worker.job_summary import summary_of
from worker.tasks import Outcome, Work

FOLDER = "stand-in"
STAGES = ("artwork", "colours", "finishes", "separation", "score", "files")


def stand_in(work: Work) -> Outcome:
    """The files of the result, after the artwork was read and progress told as a conversion does."""
    work.artwork.read()
    for number, stage in enumerate(STAGES, 1):
        work.progress(stage, number, len(STAGES))
    files, summary = kept_result(work.tables.parent / FOLDER)
    return Outcome(files=files, summary=summary)


@lru_cache(maxsize=1)
def kept_result(folder: Path) -> tuple[tuple[tuple[str, bytes], ...], dict[str, Any]]:
    """Every file of a result, its path in it and its bytes; and the summary of its report. Read once."""
    files = [(path.relative_to(folder).as_posix(), path.read_bytes()) for path in folder.rglob("*") if path.is_file()]
    return tuple(sorted(files)), summary_of(json.loads(dict(files)["report.json"]))


tasks.KINDS["convert"] = stand_in  # a worker learns of it by Celery's --include of this module


def main() -> int:
    """Serve, with workers that know of it."""
    plain = embedded._worker

    def worker(*arguments: object) -> embedded.Child:
        child = plain(*arguments)  # type: ignore[arg-type]
        child.command += ["--include", __spec__.name]
        return child

    embedded._worker = worker  # type: ignore[assignment]
    return embedded.main()


if __name__ == "__main__":
    sys.exit(main())
