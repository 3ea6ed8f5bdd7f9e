"""The machine's memory before a measurement.

A virtual machine hands memory back to its host while nobody uses it, and gets it anew at 1 to 2 ms for each MB, on some
hosts: what runs first pays for that, and its peer after it, in the same memory, does not.
"""

from __future__ import annotations

import subprocess
import sys

MOST_MB = 2300
_TOUCH = "import numpy, sys; numpy.ones(int(sys.argv[1]) * 1_000_000, dtype=numpy.uint8)"


def touch_memory(megabytes: int = MOST_MB) -> None:
    """Use so much memory in another program, and let it go, so that the host has given it to this machine."""
    subprocess.run([sys.executable, "-c", _TOUCH, str(megabytes)], check=True)
