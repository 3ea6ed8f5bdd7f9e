"""Freed memory is kept, as page faults tell (getrusage(2)); glibc's mallopt(3) alone is asked for it."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

from worker.shell_environment import PROJECT

_JOBS = """
import resource, sys
import numpy as np
from worker.kept_memory import keep_freed_memory
if sys.argv[1] == "kept":
    assert keep_freed_memory()
def job():
    return [np.ones(20 * 1024 * 1024, dtype=np.uint8) for _ in range(4)]
job()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(5):
    job()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def _faults(way: str) -> int:
    done = subprocess.run([sys.executable, "-c", _JOBS, way], capture_output=True, text=True, check=True, cwd=PROJECT)
    return int(done.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="no glibc: keeping memory is asked of it alone")
def test_what_a_job_has_freed_serves_the_next_one() -> None:
    assert _faults("kept") * 10 < _faults("given back")
