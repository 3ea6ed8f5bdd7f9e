"""Converting artworks one after the other in this process: one bad artwork does not stop the rest."""

from __future__ import annotations

import gc
import time
import traceback
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from worker.artwork_files import ArtworkFile
from worker.board_file import BoardFile
from worker.errors import ArtworkError, MaskwrightError
from worker.fab_profile import FabProfile
from worker.job_settings import Settings
from worker.quick_start import load_compiled_loops_alone
from worker.result_folder import check_replaceable, replace_result
from worker.summary_table import SummaryRow, summary_row

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from rich.console import Console
    from rich.progress import Progress, TaskID

    from worker.engine.palette.shared import SharedPalette

Report = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConversionRun:
    """What all artworks of a run share, and what has become of them so far.

    `console` : the terminal to draw on; None for plain lines, which need no drawing to be loaded.
    """

    fab: FabProfile
    settings: Settings
    board_file: BoardFile | None = None
    out: Path
    full_size: bool
    tables: Path
    threads: int
    console: Console | None
    rows: list[SummaryRow] = field(default_factory=list)
    done: list[ArtworkFile] = field(default_factory=list)
    failures: list[tuple[ArtworkFile, MaskwrightError]] = field(default_factory=list)

    def convert(self, artworks: Sequence[ArtworkFile]) -> None:
        """Convert every artwork; whatever goes wrong with one is kept in `failures`."""
        load_compiled_loops_alone()
        palette = self._shared_palette(artworks) if self.settings.palette == "shared" else None
        with self._progress() as progress:
            for done, artwork in enumerate(artworks):
                watch = _Watch.start(progress, artwork, done, len(artworks))
                try:
                    self._convert(artwork, palette, watch.report)
                except MaskwrightError as error:
                    self._fail(artwork, error)
                except Exception:
                    print(traceback.format_exc(), flush=True)
                    self._fail(artwork, _FAULT)
                watch.stop()
                gc.enable()

    def _shared_palette(self, artworks: Sequence[ArtworkFile]) -> SharedPalette:
        """The palette of all artworks, bottoms too. What can't be read says so when it is converted."""
        from worker.engine.shared_palette import PaletteArtwork, shared_palette
        from worker.table_folder import TableFolder

        paths = [path for one in artworks for path in (one.path, one.bottom) if path is not None]
        read = [PaletteArtwork(name=path.name, open=partial(_opened, path), settings=self.settings) for path in paths]
        tables = TableFolder(self.tables)
        return shared_palette(read, self.fab, self.settings, tables=tables, threads=self.threads).palette

    def _convert(self, artwork: ArtworkFile, palette: SharedPalette | None, report: Report) -> None:
        from worker.engine import pipeline
        from worker.table_folder import TableFolder

        started = time.perf_counter()
        target = self.out / artwork.result
        check_replaceable(target)
        with _opened(artwork.path) as source:
            if artwork.bottom is not None:
                reports = self._convert_two_sides(artwork, source, artwork.bottom, target, palette, report)
                self._succeed(artwork, reports, time.perf_counter() - started)
                return
            conversion = pipeline.convert(
                source,
                self.fab,
                self.settings,
                name=artwork.path.name,
                board_file=self.board_file,
                palette=palette,
                tables=TableFolder(self.tables),
                threads=self.threads,
                progress=report,
            )
            replace_result(target, conversion.files(full_size=self.full_size))
        self._succeed(artwork, {artwork.name: conversion.report}, time.perf_counter() - started)

    def _convert_two_sides(
        self,
        artwork: ArtworkFile,
        top: BinaryIO,
        bottom_path: Path,
        target: Path,
        palette: SharedPalette | None,
        report: Report,
    ) -> dict[str, dict[str, Any]]:
        """The reports of both sides, by what the summary calls them."""
        from worker.engine.two_sides import convert_two_sides
        from worker.table_folder import TableFolder

        with _opened(bottom_path) as bottom:
            piece = convert_two_sides(
                top,
                bottom,
                self.fab,
                self.settings,
                names=(artwork.path.name, bottom_path.name),
                board_file=self.board_file,
                palette=palette,
                tables=TableFolder(self.tables),
                threads=self.threads,
                progress=report,
            )
            replace_result(target, piece.files(full_size=self.full_size))
        return {f"{artwork.name} ({side})": conversion.report for side, conversion in piece.sides.items()}

    def _succeed(self, artwork: ArtworkFile, reports: dict[str, dict[str, Any]], seconds: float) -> None:
        """Note a row for each report; `seconds` of all of them together."""
        self.done.append(artwork)
        self.rows.extend(summary_row(name, report, seconds) for name, report in reports.items())
        if self.console is None:
            print(f"{artwork.path}: done in {seconds:.1f} s", flush=True)

    def _fail(self, artwork: ArtworkFile, error: MaskwrightError) -> None:
        self.failures.append((artwork, error))
        if self.console is None:
            print(f"{artwork.path}: failed", flush=True)

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


def _opened(path: Path) -> BinaryIO:
    try:
        return path.open("rb")
    except OSError as error:
        raise ArtworkError(
            f"{path.name} can't be read: {error.strerror or error}.", mend="Check its rights."
        ) from error


_FAULT = MaskwrightError(
    "It failed through a fault of the program (above).", mend="Please report it, with the artwork and the text above."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Watch:
    """Shows how far one artwork is; its bar is full when the last stage is."""

    progress: Progress | None
    task: TaskID | None

    @classmethod
    def start(cls, progress: Progress | None, artwork: ArtworkFile, done: int, of: int) -> _Watch:
        if progress is None:
            return cls(progress=None, task=None)
        task = progress.add_task(f"{done + 1}/{of} {artwork.name}", total=None, stage="")
        return cls(progress=progress, task=task)

    def report(self, stage: str, done: int, of: int) -> None:
        if self.progress is not None and self.task is not None:
            self.progress.update(self.task, completed=done, total=of, stage=stage)

    def stop(self) -> None:
        if self.progress is not None and self.task is not None:
            self.progress.remove_task(self.task)
