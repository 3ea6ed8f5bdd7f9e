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


def serve(connection: Connection, means: Means) -> None:
    """Convert what comes until the connection ends. Each answer comes after any number of (stage, done, of)."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to all of them: the parent says what is to be done
    signal.signal(signal.SIGTERM, _leave)
    keep_freed_memory()
    while True:
        try:
            order: Order = connection.recv()
        except EOFError:
            return
        connection.send(outcome_of(order, means, lambda *progress: connection.send(progress)))


def _leave(_: int, __: FrameType | None) -> None:
    """End in order, so that what was begun to be written goes."""
    sys.exit(1)
