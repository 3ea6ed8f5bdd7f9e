"""Converting artworks in this process or in several: one bad artwork does not stop the rest."""

from __future__ import annotations

import gc
from collections.abc import Generator, Sequence
from contextlib import AbstractContextManager, closing, nullcontext
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from worker.conversion import Converted, Means, Order, Outcome, outcome_of
from worker.errors import MaskwrightError
from worker.kept_memory import keep_freed_memory
from worker.quick_start import load_compiled_loops_alone
from worker.summary_table import SummaryRow

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, TaskID


@dataclass(frozen=True, slots=True, kw_only=True)
class ConversionRun:
    """How artworks are converted, and what has become of them so far.

    `console` : the terminal to draw on; None for plain lines, which need no drawing to be loaded. `processes` : how
    many at once, each with the threads of `means`.
    """

    means: Means
    console: Console | None
    processes: int = 1
    rows: list[SummaryRow] = field(default_factory=list)
    done: list[tuple[Order, Converted]] = field(default_factory=list)
    failures: list[tuple[Order, MaskwrightError]] = field(default_factory=list)

    def convert(self, orders: Sequence[Order]) -> None:
        """Convert every artwork; whatever goes wrong with one is kept in `failures`."""
        with self._progress() as progress:
            bars = _Bars(progress, orders)
            several = self.processes > 1 and len(orders) > 1
            with closing(self._beside_each_other(orders, bars) if several else self._in_turn(orders, bars)) as ended:
                for number, outcome in ended:
                    bars.stop(number)
                    self._note(orders[number], outcome)

    def _in_turn(self, orders: Sequence[Order], bars: _Bars) -> Generator[tuple[int, Outcome], None, None]:
        load_compiled_loops_alone()
        keep_freed_memory()
        for number, order in enumerate(orders):
            bars.start(number)
            yield number, outcome_of(order, self.means, partial(bars.watch, number))
            gc.enable()

    def _beside_each_other(self, orders: Sequence[Order], bars: _Bars) -> Generator[tuple[int, Outcome], None, None]:
        from worker.conversion_processes import convert_beside_each_other  # takes a while to load

        gc.enable()
        return convert_beside_each_other(orders, self.means, self.processes, bars.watch)

    def _note(self, order: Order, outcome: Outcome) -> None:
        if isinstance(outcome, str):
            print(outcome, flush=True)
            outcome = _FAULT
        if isinstance(outcome, MaskwrightError):
            self.failures.append((order, outcome))
            told = "failed"
        else:
            self.done.append((order, outcome))
            self.rows.extend(outcome.rows)
            told = f"done in {outcome.seconds:.1f} s"
        if self.console is None:
            print(f"{order.artwork.path}: {told}", flush=True)

    def _progress(self) -> AbstractContextManager[Progress | None]:
        if self.console is None:
            return nullcontext()
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        return Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            TextColumn("{task.fields[stage]}", markup=False),
            TimeElapsedColumn(),
            console=self.console,
            transient=True,
        )


_FAULT = MaskwrightError(
    "It failed through a fault of the program (above).", mend="Please report it, with the artwork and the text above."
)


class _Bars:
    """Shows how far each artwork that is worked on is; its bar is full when the last stage is."""

    def __init__(self, progress: Progress | None, orders: Sequence[Order]) -> None:
        self._progress = progress
        self._orders = orders
        self._tasks: dict[int, TaskID] = {}
        self._begun = 0

    def start(self, number: int) -> None:
        if self._progress is not None and number not in self._tasks:
            self._begun += 1
            title = f"{self._begun}/{len(self._orders)} {self._orders[number].artwork.name}"
            self._tasks[number] = self._progress.add_task(title, total=None, stage="")

    def watch(self, number: int, stage: str, done: int, of: int) -> None:
        if self._progress is not None:
            self.start(number)
            self._progress.update(self._tasks[number], completed=done, total=of, stage=stage)

    def stop(self, number: int) -> None:
        if self._progress is not None and number in self._tasks:
            self._progress.remove_task(self._tasks.pop(number))
