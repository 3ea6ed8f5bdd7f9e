"""A watched folder: whenever its files have changed and are at rest, they are given anew."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from worker.collection.outgoing import OutgoingFile, any_artwork, facts_of

LOOK_SECONDS = 0.5
SETTLED_SECONDS = 2.0
"""Files are at rest when nothing in their folder has changed for so long: one that is still copied grows."""


def at_rest(
    look: Callable[[], list[OutgoingFile]], beside: Callable[[], Sequence[Path]] = tuple
) -> Iterator[list[OutgoingFile]]:
    """The files at the start and after every change, each time that there is an artwork among them; never ends.

    beside : lists further files whose change counts.
    """
    given: object = None
    seen: object = None
    since = time.monotonic()
    with _heard_interrupts() as interrupted:
        while True:
            if interrupted.is_set():
                raise KeyboardInterrupt
            try:
                files = look()
            except OSError:  # a folder went while it was walked
                files, seen = [], None
            now = (files, [facts_of(path) for path in beside()])
            if now != seen:
                seen, since = now, time.monotonic()
            elif now != given and any_artwork(files) and time.monotonic() - since >= SETTLED_SECONDS:
                given = now
                yield files
            time.sleep(LOOK_SECONDS)


@contextmanager
def _heard_interrupts() -> Iterator[threading.Event]:
    """Set by Ctrl-C, too, where Python drops the exception that it raises: while it takes something apart, for one."""
    interrupted = threading.Event()
    if threading.current_thread() is not threading.main_thread() or signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        yield interrupted
        return

    def hear(number: int, frame: object) -> None:
        interrupted.set()
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGINT, hear)
    try:
        yield interrupted
    finally:
        signal.signal(signal.SIGINT, before)
