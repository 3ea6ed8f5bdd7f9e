"""One artwork to its folder of results, for the command line: in this process, or in one of several."""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from worker.artwork_files import ArtworkFile, open_artwork
from worker.errors import MaskwrightError
from worker.fab_profile import FabProfile
from worker.job_settings import Settings
from worker.job_summary import summary_of
from worker.quick_start import load_compiled_loops_alone
from worker.result_folder import check_replaceable, replace_result
from worker.summary_table import SummaryRow, summary_row

if TYPE_CHECKING:
    from worker.board_file import BoardFile
    from worker.circuit_file import GivenCircuit
    from worker.engine.circuit.beside import BesideCircuit
    from worker.engine.circuit.rasters import SideName
    from worker.engine.palette.shared import SharedPalette

Report = Callable[[str, int, int], None]
Files = Iterable[tuple[str, bytes]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """An artwork with what is asked of it. `mark` is kept with its result, and says what was asked ("" for none)."""

    artwork: ArtworkFile
    settings: Settings
    board_file: BoardFile | None = None
    mark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """What all artworks of a run share."""

    fab: FabProfile
    out: Path
    full_size: bool
    tables: Path
    threads: int
    palette: SharedPalette | None = None
    circuit: GivenCircuit | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Converted:
    """What became of an artwork: a row for each of its sides, and a summary as a job's row has it."""

    rows: tuple[SummaryRow, ...]
    summary: dict[str, Any]
    seconds: float


Outcome = Converted | MaskwrightError | str
"""What became of an artwork; a text is the traceback of a fault of the program."""

MOST_PROCESSES = 4
"""Unless more are asked for: each may need the memory of a large board."""
ARTWORKS_EACH = 3
"""A process takes a second or two to start, which fewer artworks don't repay."""


def processes_for(artworks: int, cores: int) -> int:
    """How many processes convert so many artworks."""
    return max(1, min(cores, MOST_PROCESSES, artworks // ARTWORKS_EACH))


def with_shared_palette(means: Means, orders: Sequence[Order], settings: Settings) -> Means:
    """The same with one palette of all artworks that want a shared one, bottoms too; unchanged where none does.

    orders : all artworks of the palette, whether they are converted or not. settings : what is said of all. What can't
    be read says so when it is converted.
    """
    sharing = [order for order in orders if order.settings.palette == "shared"]
    if not sharing:
        return means
    load_compiled_loops_alone()
    from worker.engine.shared_palette import PaletteArtwork, shared_palette
    from worker.table_folder import TableFolder

    read = [
        PaletteArtwork(name=path.name, open=partial(open_artwork, path), settings=order.settings)
        for order in sharing
        for path in (order.artwork.path, order.artwork.bottom)
        if path is not None
    ]
    tables = TableFolder(means.tables)
    step = shared_palette(read, means.fab, settings, tables=tables, threads=means.threads)
    return replace(means, palette=step.palette)


def outcome_of(order: Order, means: Means, report: Report) -> Outcome:
    """Convert one artwork, whatever becomes of it."""
    try:
        return convert_to_folder(order, means, report)
    except MaskwrightError as error:
        return error
    except Exception:
        return traceback.format_exc()


def convert_to_folder(order: Order, means: Means, report: Report) -> Converted:
    """Convert one artwork and write its result, whole or not at all. Raises MaskwrightError."""
    began = time.perf_counter()
    check_replaceable(means.out / order.artwork.result)
    with open_artwork(order.artwork.path) as source:
        if order.artwork.bottom is None:
            reports, whole = _one_side(order, means, source, report)
        else:
            reports, whole = _two_sides(order, means, source, order.artwork.bottom, report)
    seconds = time.perf_counter() - began
    rows = tuple(summary_row(name, told, seconds) for name, told in reports.items())
    return Converted(rows=rows, summary=summary_of(whole), seconds=seconds)


Reports = tuple[Mapping[str, Mapping[str, Any]], Mapping[str, Any]]
"""The reports of the sides, by what the summary calls them, and that of the whole."""


def _one_side(order: Order, means: Means, source: BinaryIO, report: Report) -> Reports:
    from worker.engine import pipeline
    from worker.table_folder import TableFolder

    conversion = pipeline.convert(
        source,
        means.fab,
        order.settings,
        name=order.artwork.path.name,
        board_file=order.board_file,
        palette=means.palette if order.settings.palette == "shared" else None,
        beside=_beside(order, means, ("top",)).get("top"),
        tables=TableFolder(means.tables),
        threads=means.threads,
        progress=report,
    )
    _write(order, means, conversion.files(full_size=means.full_size))
    return {order.artwork.name: conversion.report}, conversion.report


def _two_sides(order: Order, means: Means, top: BinaryIO, bottom_path: Path, report: Report) -> Reports:
    from worker.engine.two_sides import convert_two_sides
    from worker.table_folder import TableFolder

    with open_artwork(bottom_path) as bottom:
        piece = convert_two_sides(
            top,
            bottom,
            means.fab,
            order.settings,
            names=(order.artwork.path.name, bottom_path.name),
            board_file=order.board_file,
            palette=means.palette if order.settings.palette == "shared" else None,
            beside=_beside(order, means, ("top", "bottom")) or None,
            tables=TableFolder(means.tables),
            threads=means.threads,
            progress=report,
        )
        _write(order, means, piece.files(full_size=means.full_size))
    sides = {f"{order.artwork.name} ({side})": conversion.report for side, conversion in piece.sides.items()}
    return sides, piece.report


def _beside(order: Order, means: Means, sides: tuple[SideName, ...]) -> dict[SideName, BesideCircuit]:
    """The circuit's sides, where there is one."""
    if means.circuit is None:
        return {}
    from worker.engine.circuit.beside import sides_beside

    return sides_beside(means.circuit, means.fab, order.settings, sides, threads=means.threads)


def _write(order: Order, means: Means, files: Files) -> None:
    from worker.collection.kept_results import marked

    replace_result(means.out / order.artwork.result, marked(files, order.mark) if order.mark else files)
