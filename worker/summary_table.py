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
    """One artwork's figures. `mean`, `p95` and `continuous` (a mean) are S-CIELAB; `near_ties` are how many.
    `specular` : the mean with the finishes' mirror reflection and without, where they were read both ways."""

    name: str
    width_mm: float
    height_mm: float
    finishes: tuple[str, ...]
    mean: float
    p95: float
    continuous: float
    seconds: float
    near_ties: int = 0
    specular: tuple[float, float] | None = None


FOOTNOTE = (
    "Errors are S-CIELAB from the viewing distance; lower is better. The continuous reference is the mean error of an "
    "infinitely fine mixture of the finishes; not a proven bound."
)


def summary_row(name: str, report: Mapping[str, Any], seconds: float) -> SummaryRow:
    """The row of an artwork from its report."""
    score, board = report["score"], report["board"]
    return SummaryRow(
        name=name,
        width_mm=board["width_mm"],
        height_mm=board["height_mm"],
        finishes=tuple(finish["id"] for finish in report["finishes"] if finish["share"] > 0),
        mean=score["s_cielab"]["mean"],
        p95=score["s_cielab"]["p95"],
        continuous=score["continuous_reference"]["mean"],
        seconds=seconds,
        near_ties=len(report["near_ties"]),
        specular=_specular(score),
    )


def _specular(score: Mapping[str, Any]) -> tuple[float, float] | None:
    both = score.get("specular")
    return None if both is None else (both["included"]["s_cielab"]["mean"], both["excluded"]["s_cielab"]["mean"])


def print_summary(rows: Sequence[SummaryRow], console: Console | None) -> None:
    """Print the table on a terminal; where there is none, one plain line per artwork, its name first."""
    if not rows:
        return
    if console is None:
        for row in rows:
            print(_line(row))
        print(_near_ties(rows) + _mirrors(rows), end="")
        return
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE_HEAD, collapse_padding=True, pad_edge=False, caption=FOOTNOTE, caption_justify="left")
    table.add_column("artwork", overflow="fold")
    table.add_column("size", no_wrap=True)
    table.add_column("finishes", overflow="fold")
    for heading in ("error\nmean", "95 %", "continuous\nreference", "s"):
        table.add_column(heading, justify="right", no_wrap=True)
    for row in rows:
        size = size_text(row.width_mm, row.height_mm).replace(" (", "\n(")
        figures = (f"{row.mean:.2f}", f"{row.p95:.2f}", f"{row.continuous:.2f}", f"{row.seconds:.1f}")
        table.add_row(Text(row.name), size, ", ".join(row.finishes), *figures)
    console.print(table)
    console.print(_near_ties(rows) + _mirrors(rows), end="", markup=False, highlight=False, soft_wrap=True)


def size_text(width_mm: float, height_mm: float) -> str:
    """A board's size in mm and in inch."""
    inches = (width_mm / MM_PER_INCH, height_mm / MM_PER_INCH)
    return f"{width_mm:.1f} x {height_mm:.1f} mm ({inches[0]:.2f} x {inches[1]:.2f} in)"


def _near_ties(rows: Sequence[SummaryRow]) -> str:
    """The line that says where the references can't tell the finish of a colour; empty where they can."""
    tied = [f"{row.name} {row.near_ties}" for row in rows if row.near_ties]
    if not tied:
        return ""
    return f"near ties: {', '.join(tied)} (near_ties in report.json names them, with the pins that decide them)\n"


def _mirrors(rows: Sequence[SummaryRow]) -> str:
    """The line that says how far the error goes as metal and gloss are turned; empty where no finish was read so."""
    told = [f"{row.name} {row.specular[0]:.2f}, {row.specular[1]:.2f}" for row in rows if row.specular is not None]
    if not told:
        return ""
    return f"error mean with the finishes' mirror reflection, and without: {'; '.join(told)}\n"


def _line(row: SummaryRow) -> str:
    return (
        f"{row.name}: {size_text(row.width_mm, row.height_mm)}; finishes {', '.join(row.finishes)}; "
        f"error mean {row.mean:.2f}, 95 % {row.p95:.2f}; continuous reference {row.continuous:.2f}; "
        f"{row.seconds:.1f} s"
    )
