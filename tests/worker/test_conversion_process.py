"""A process that converts ends in order when it is told to, wherever it stands."""

from __future__ import annotations

import subprocess
import sys

import pytest

from worker.settings import PROJECT

CODE = """
import os, signal, sys
from worker import conversion_process

signal.signal(signal.SIGTERM, conversion_process._leave)
signal.signal(signal.SIGALRM, conversion_process._leave)


def called_back():
    try:
        os.kill(os.getpid(), signal.SIGTERM)
        sum(range(1000))
    except SystemExit:
        print("raised inside", flush=True)
        raise


library = {"__name__": sys.argv[1], "called_back": called_back}
exec("def from_c(): called_back()", library)
try:
    library["from_c"]()
    print("went on", flush=True)
    while True:
        signal.pause()
finally:
    print("tidied", flush=True)
"""


@pytest.mark.parametrize(
    ("module", "said"),
    [
        ("pyvips", ["went on", "tidied"]),
        ("pyvips.vimage", ["went on", "tidied"]),
        ("pyvipsical", ["raised inside", "tidied"]),
    ],
)
def test_the_end_waits_until_the_image_library_is_left(module: str, said: list[str]) -> None:
    """What is raised in a function that C has called back into is printed there and forgotten (the documentation of
    cffi's callbacks says so), and the process would go on."""
    command = [sys.executable, "-c", CODE, module]
    done = subprocess.run(command, capture_output=True, text=True, cwd=PROJECT, timeout=60, check=False)
    assert done.stdout.splitlines() == said
    assert (done.returncode, done.stderr) == (1, "")


def test_an_answer_that_nobody_hears_ends_the_process_without_a_traceback() -> None:
    code = """
from multiprocessing import Pipe
from worker import conversion_process
ours, theirs = Pipe()
theirs.close()
conversion_process._tell(ours, ("layers", 1, 2))
print("went on")
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=PROJECT, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (1, "", "")


def test_what_the_processes_are_forked_from_has_not_loaded_the_image_library() -> None:
    """It starts threads, which a fork leaves behind (fork(2))."""
    code = "import sys\nimport worker.conversion_process\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=PROJECT, check=True)
    assert "worker.engine.pipeline" in done.stdout.split()
    assert not {"pyvips", "_libvips"} & set(done.stdout.split())
