"""A process of its own in which broken files are read, limited in memory and time, as a job's is.

A file that crashes it, hangs or takes more than a case may fails that case; the rest goes on in another process. The
limits are far above what any case needs: they end what would never end, and measure nothing.
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]

CPU_SECONDS = 20.0
"""Of one case."""
SILENT_SECONDS = 240.0
"""Without a word from the process, by the clock: for what hangs without working. Far more, since machines are busy."""
MEMORY_BYTES = 4 * 1024**3
"""Address space, of which the libraries take a good part."""
WRITTEN_BYTES = 64 * 1024**2


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How one case ended. `fault` is "" where all is well; `end` says how it ended: refused or taken."""

    case: str
    end: str
    fault: str


def verdicts(corpus: str, size: int, *, memory: int = MEMORY_BYTES) -> list[Verdict]:
    """Examine every case of a corpus: a module of this room with `cases(size)` and `examine(case)`."""
    found: list[Verdict] = []
    begun = -1
    while True:
        seen = len(found)
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.hostile.ward", corpus, str(size), str(seen), str(memory)],
            cwd=PROJECT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        begun, name = -1, ""
        for line in _lines(process):
            told = json.loads(line)
            if "begin" in told:
                begun, name = told["begin"], told["name"]
            else:
                found.append(Verdict(**told))
        if process.returncode == 0:
            return found
        assert begun == len(found), f"the ward of {corpus} fell outside of any case: {process.stderr_said}"
        found.append(Verdict(case=name, end="fell", fault=f"ended the process: {_how(process)}"))


def _lines(process: subprocess.Popen[str]) -> Iterator[str]:
    """The lines that it writes until it ends, which it must not leave off to do."""
    said: list[str] = []
    assert process.stdout is not None and process.stderr is not None
    listener = threading.Thread(target=lambda: said.append(process.stderr.read()), daemon=True)
    listener.start()
    watch = _watch(process)
    for line in process.stdout:
        watch.cancel()
        watch = _watch(process)
        yield line
    process.wait()
    watch.cancel()
    listener.join()
    process.stderr_said = "".join(said)[-2000:]  # type: ignore[attr-defined]


def _watch(process: subprocess.Popen[str]) -> threading.Timer:
    watch = threading.Timer(SILENT_SECONDS, process.kill)
    watch.daemon = True
    watch.start()
    return watch


def _how(process: subprocess.Popen[str]) -> str:
    code = process.returncode
    said = process.stderr_said.strip()[-300:]  # type: ignore[attr-defined]
    name = signal.Signals(-code).name if code < 0 else f"exit status {code}"
    words = {"SIGPROF": "it worked longer than a case may", "SIGKILL": "it hung, or took too much memory"}
    return f"{words.get(name, name)} {said}".strip()


def _limit(memory: int) -> None:
    for what, limit in (
        (resource.RLIMIT_AS, memory),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_FSIZE, WRITTEN_BYTES),
    ):
        _, hard = resource.getrlimit(what)
        try:
            resource.setrlimit(what, (limit if hard == resource.RLIM_INFINITY else min(limit, hard), hard))
        except (ValueError, OSError):  # macOS knows the limit of memory but does not take it
            continue


def _run(corpus: str, size: int, skipped: int, memory: int) -> None:
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what a library prints must not be taken for our words
    module = importlib.import_module(f"tests.hostile.{corpus}")
    _limit(memory)
    for index, case in enumerate(module.cases(size)):
        if index < skipped:
            continue
        print(json.dumps({"begin": index, "name": case.name}), file=out, flush=True)
        signal.setitimer(signal.ITIMER_PROF, CPU_SECONDS)
        end, fault = module.examine(case)
        signal.setitimer(signal.ITIMER_PROF, 0)
        print(json.dumps({"case": case.name, "end": end, "fault": fault}), file=out, flush=True)


if __name__ == "__main__":
    _run(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
