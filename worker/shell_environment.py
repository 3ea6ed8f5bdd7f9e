"""What a command at the shell needs of the environment: two folders and a number of threads.

pydantic checks it like everything else, but takes a quarter of a second to load; so it is left out where there is
nothing for it to check: no file `.env`, and no variable here but paths, which can't be wrong before they are used.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

PROJECT = Path(__file__).resolve().parent.parent

FABS_DIR, CACHE_DIR, THREADS = NAMES = ("MASKWRIGHT_FABS_DIR", "MASKWRIGHT_CACHE_DIR", "MASKWRIGHT_THREADS")
DEFAULT_FABS_DIR = PROJECT / "samples" / "fabs"
DEFAULT_CACHE_DIR = Path("~/.cache/maskwright")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShellEnvironment:
    """The rows of `worker.settings.Environment` that commands use; `threads` 0 means all cores."""

    fabs_dir: Path
    cache_dir: Path
    threads: int

    @property
    def tables(self) -> Path:
        """Folder of the colour tables that are kept between runs."""
        return self.cache_dir.expanduser()

    @property
    def threads_or_cores(self) -> int:
        """Threads that one command may use."""
        return self.threads or processor_cores()


def read_shell_environment() -> ShellEnvironment:
    """The environment, read now. Raises SettingsError, naming the variable and the mend."""
    given = {name for name in os.environ if name.upper() in NAMES}
    if Path(".env").exists() or not given <= {FABS_DIR, CACHE_DIR}:
        from worker.settings import read_environment

        whole = read_environment()
        return ShellEnvironment(fabs_dir=whole.fabs_dir, cache_dir=whole.cache_dir, threads=whole.threads)
    return ShellEnvironment(
        fabs_dir=_path(FABS_DIR, DEFAULT_FABS_DIR),
        cache_dir=_path(CACHE_DIR, DEFAULT_CACHE_DIR),
        threads=0,
    )


def _path(name: str, default: Path) -> Path:
    """An empty variable counts as none, as in `worker.settings`."""
    given = os.environ.get(name)
    return Path(given) if given else default


def processor_cores() -> int:
    """Cores that this process may run on."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
