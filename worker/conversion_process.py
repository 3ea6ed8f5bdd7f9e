"""A process of its own that converts artworks one after the other, as its parent sends them.

Loaded once, in the process that all of them are forked from, this module brings the engine with it.
"""

from __future__ import annotations

import signal
import sys
from multiprocessing.connection import Connection
from types import FrameType

from worker.conversion import Means, Order, outcome_of
from worker.kept_memory import keep_freed_memory
from worker.quick_start import load_compiled_loops_alone

load_compiled_loops_alone()

from worker.engine import pipeline, two_sides  # noqa: E402  # after the loops' own way to be loaded

LOADED = (pipeline.__name__, two_sides.__name__)

IMAGE_LIBRARY = "pyvips"  # by its name alone: a process that others are forked from may not load it
PUT_OFF_SECONDS = 0.01


def serve(connection: Connection, means: Means) -> None:
    """Convert what comes until the connection ends. Each answer comes after any number of (stage, done, of)."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to all of them: the parent says what is to be done
    signal.signal(signal.SIGTERM, _leave)
    signal.signal(signal.SIGALRM, _leave)
    keep_freed_memory()
    while True:
        try:
            order: Order = connection.recv()
        except EOFError:
            return
        _tell(connection, outcome_of(order, means, lambda *progress: _tell(connection, progress)))


def _tell(connection: Connection, message: object) -> None:
    try:
        connection.send(message)
    except BrokenPipeError:  # who would hear it has gone
        sys.exit(1)


def _leave(_: int, frame: FrameType | None) -> None:
    """End in order, so that what was begun to be written goes.

    What is raised where C has called back into Python is printed there and forgotten: the process would go on. So
    while a call of the image library is on the stack, the end is put off.
    """
    while frame is not None:
        if str(frame.f_globals.get("__name__")).split(".")[0] == IMAGE_LIBRARY:
            signal.setitimer(signal.ITIMER_REAL, PUT_OFF_SECONDS)
            return
        frame = frame.f_back
    sys.exit(1)
