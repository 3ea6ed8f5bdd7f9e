"""Memory that a job has freed: kept for the next one, in processes that do job after job, or given back."""

from __future__ import annotations

import ctypes

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""Of glibc's mallopt(3), as malloc.h numbers them."""
_KEPT_BYTES = 256 * 1024 * 1024
_MAPPED_BYTES = 32 * 1024 * 1024
"""What is larger is mapped, and given back at once; glibc takes no higher bound."""


def keep_freed_memory() -> bool:
    """Let glibc keep up to 256 MB of what is freed instead of giving it back to the system; whether it does.

    A job's pictures of some MB each are else handed back and asked for anew all the time, and every page of them is
    emptied by the system first. Other C libraries stay as they are.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError):
        return False
    return bool(mallopt(_TRIM_THRESHOLD, _KEPT_BYTES)) and bool(mallopt(_MMAP_THRESHOLD, _MAPPED_BYTES))


def give_back_before(array_bytes: int) -> None:
    """Let glibc give back all that is free, if arrays of so many bytes come next: such can't lie where smaller lay.

    For it maps what is larger than 32 MB. Smaller arrays take their places in what is free, so that is kept.
    """
    if array_bytes <= _MAPPED_BYTES:
        return
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, OSError):
        return
