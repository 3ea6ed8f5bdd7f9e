"""The table at the end of a run: one artwork a row; plain lines where there is no terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from worker.job_settings import MM_PER_INCH

if TYPE_CHECKING:
    from rich.console import Console


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryRow:
    """One artwork's figures. `mean`, `p95` and `continuous` (a mean) are S-CIELAB."""

    name: str
    width_mm: float
    height_mm: float
    finishes: tuple[str, ...]
    mean: float
    p95: float
    continuous: float
    seconds: float


HEADINGS = ("artwork", "size", "finishes", "error mean", "error 95 %", "continuous reference", "seconds")
FOOTNOTE = (
    "error: S-CIELAB from the viewing distance, lower is better. continuous reference: the same for an infinitely fine "
    "mixture of the finishes; not a proven bound."
)


def summary_row(name: str, report: Mapping[str, Any], seconds: float) -> SummaryRow:
    """The row of an artwork from its report."""
    score, grid = report["score"], report["grid"]
    return SummaryRow(
        name=name,
        width_mm=grid["width_mm"],
        height_mm=grid["height_mm"],
        finishes=tuple(finish["id"] for finish in report["finishes"] if finish["share"] > 0),
        mean=score["s_cielab"]["mean"],
        p95=score["s_cielab"]["p95"],
        continuous=score["continuous_reference"]["mean"],
        seconds=seconds,
    )


def print_summary(rows: Sequence[SummaryRow], console: Console) -> None:
    """Print the table on a terminal, else one plain line per artwork, its name first."""
    if not rows:
        return
    if not console.is_terminal:
        for row in rows:
            print(_line(row), file=console.file)
        return
    from rich.table import Table
    from rich.text import Text

    table = Table(*HEADINGS[:3], caption=FOOTNOTE, caption_justify="left")
    for heading in HEADINGS[3:]:
        table.add_column(heading, justify="right")
    for row in rows:
        name, *cells = _cells(row)
        table.add_row(Text(name, overflow="fold"), *cells)
    console.print(table)


def _cells(row: SummaryRow) -> tuple[str, ...]:
    return (
        row.name,
        size_text(row.width_mm, row.height_mm),
        ", ".join(row.finishes),
        f"{row.mean:.2f}",
        f"{row.p95:.2f}",
        f"{row.continuous:.2f}",
        f"{row.seconds:.1f}",
    )


def size_text(width_mm: float, height_mm: float) -> str:
    """A board's size in mm and in inch."""
    inches = (width_mm / MM_PER_INCH, height_mm / MM_PER_INCH)
    return f"{width_mm:.1f} x {height_mm:.1f} mm ({inches[0]:.2f} x {inches[1]:.2f} in)"


def _line(row: SummaryRow) -> str:
    return (
        f"{row.name}: {size_text(row.width_mm, row.height_mm)}; finishes {', '.join(row.finishes)}; "
        f"error mean {row.mean:.2f}, 95 % {row.p95:.2f}; continuous reference {row.continuous:.2f}; "
        f"{row.seconds:.1f} s"
    )
