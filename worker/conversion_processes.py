"""Several processes that convert artworks beside each other: one that dies takes nothing but its artwork with it."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Generator, Sequence
from contextlib import suppress
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import cast

from worker.conversion import Means, Order, Outcome
from worker.errors import ArtworkError
from worker.result_folder import drop_unfinished

CHILD = "worker.conversion_process"
END_SECONDS = 30.0
"""A process that is to stop has so long to take away what it had begun to write."""

Watch = Callable[[int, str, int, int], None]
"""Takes an order's number, the stage, and how many parts of how many are done."""

CRASHED = ArtworkError(
    "Its process was killed or crashed: the artwork is damaged, or the machine ran out of memory.",
    mend="Give it alone, with --processes 1; or save the artwork anew, take a coarser pitch or fewer processes.",
)


def convert_beside_each_other(
    orders: Sequence[Order], means: Means, processes: int, watch: Watch
) -> Generator[tuple[int, Outcome], None, None]:
    """Each order's number and what became of it, as they end. Ends its processes when it is closed."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([CHILD])
    waiting = list(enumerate(orders))[::-1]
    busy: dict[Connection, tuple[int, _Child]] = {}
    try:
        for _ in range(min(processes, len(orders))):
            _begin(_Child(context, means), waiting, busy)
        while busy:
            for ready in wait(list(busy)):
                connection = cast(Connection, ready)
                number, child = busy[connection]
                told = child.told()
                if isinstance(told, tuple):
                    watch(number, *told)
                    continue
                del busy[connection]
                if told is None:
                    child.end()
                    drop_unfinished(means.out / orders[number].artwork.result)
                    child = _Child(context, means) if waiting else child
                yield number, CRASHED if told is None else told
                _begin(child, waiting, busy)
    finally:
        for _, child in busy.values():
            child.stop()
        for _, child in busy.values():
            child.end()


class _Child:
    def __init__(self, context: multiprocessing.context.ForkServerContext, means: Means) -> None:
        self.connection, other = context.Pipe()
        self.process: BaseProcess = context.Process(target=_serve, args=(other, means), daemon=True)
        self.process.start()
        other.close()

    def told(self) -> tuple[str, int, int] | Outcome | None:
        """What it says next; None where it has gone."""
        try:
            return cast("tuple[str, int, int] | Outcome", self.connection.recv())
        except (EOFError, OSError):
            return None

    def stop(self) -> None:
        self.process.terminate()

    def end(self) -> None:
        self.connection.close()
        self.process.join(END_SECONDS)
        if self.process.is_alive():
            self.process.kill()


def _serve(connection: Connection, means: Means) -> None:
    """What the process does; the engine, which only its kind needs, is there already."""
    from worker.conversion_process import serve

    serve(connection, means)


def _begin(child: _Child, waiting: list[tuple[int, Order]], busy: dict[Connection, tuple[int, _Child]]) -> None:
    """Give the process its next order; without one it ends."""
    if not waiting:
        child.end()
        return
    number, order = waiting.pop()
    busy[child.connection] = (number, child)
    with suppress(OSError):  # it is gone already, which its connection tells next
        child.connection.send(order)
