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


_FREED = """
import sys
import numpy as np
from worker.kept_memory import give_back_before, keep_freed_memory
def resident():
    return int(open("/proc/self/statm").read().split()[1]) * 4096
keep_freed_memory()
kept = [np.ones(10 * 1024 * 1024, dtype=np.uint8) for _ in range(20)]
last = np.ones(1000, dtype=np.uint8)
del kept
before = resident()
give_back_before(int(sys.argv[1]))
print(before - resident())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="no glibc: keeping memory is asked of it alone")
@pytest.mark.parametrize(("megabytes", "given_back"), [(8, False), (100, True)])
def test_what_is_free_is_given_back_before_arrays_that_can_t_lie_there(megabytes: int, *, given_back: bool) -> None:
    """As the resident pages tell (proc(5), statm); malloc_trim(3) alone is asked for it."""
    command = [sys.executable, "-c", _FREED, str(megabytes * 1_000_000)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=PROJECT)
    assert (int(done.stdout) > 150_000_000) == given_back
