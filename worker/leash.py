"""Ties a process to the one that started it: when that one dies, however it dies, the kernel ends this one.

`python -m worker.leash PARENT_PID COMMAND...` ties itself and then becomes COMMAND. Linux only; elsewhere a process
whose parent was killed with no warning has to be ended by hand.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys

_PR_SET_PDEATHSIG = 1  # linux/prctl.h


def die_with_parent(parent: int) -> None:
    """Have this process killed when its parent, whose process id is given, dies."""
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:  # it died before the tie was made
        os._exit(1)


def main() -> None:
    """Tie this process to the parent and become the command."""
    die_with_parent(int(sys.argv[1]))
    os.execvp(sys.argv[2], sys.argv[2:])


if __name__ == "__main__":
    main()
