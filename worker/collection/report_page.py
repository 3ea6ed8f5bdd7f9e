"""A collection's report, as JSON and as one HTML page: its artworks by error, and what failed with its mend."""

from __future__ import annotations

import base64
import html
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

WORST = 10
SHEET_ENTRIES = 96
"""Of a page of the contact sheet."""
PREVIEWS = ("thumbnail.png", "top/thumbnail.png", "preview.png", "top/preview.png")
"""Which of a result's files shows its board there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportRow:
    """An artwork: its path, what became of it, and its figures where it was converted; `fault` and `mend` where not.

    Sizes in mm; errors are S-CIELAB. result : where its files are, as a link that ends with a slash.
    """

    path: str
    state: str
    width_mm: float | None = None
    height_mm: float | None = None
    finishes: tuple[str, ...] = ()
    mean: float | None = None
    p95: float | None = None
    warnings: int = 0
    cautions: int = 0
    reused: bool = False
    result: str = ""
    two_sided: bool = False
    fault: str = ""
    mend: str = ""

    def line(self) -> str:
        """What stands below its board on a contact sheet."""
        return "no error known" if self.mean is None else f"error {self.mean:.2f}"

    def as_table(self) -> dict[str, Any]:
        """The row as JSON has it."""
        table: dict[str, Any] = {"path": self.path, "state": self.state, "reused": self.reused}
        if self.mean is not None:
            table |= {
                "width_mm": self.width_mm,
                "height_mm": self.height_mm,
                "finishes": list(self.finishes),
                "s_cielab": {"mean": self.mean, "p95": self.p95},
                "warnings": self.warnings,
                "cautions": self.cautions,
            }
            if self.result:
                table["result"] = self.result
        if self.fault:
            table |= {"fault": self.fault, "mend": self.mend}
        return table


def row_of(path: str, state: str, summary: Mapping[str, Any] | None, **more: Any) -> ReportRow:
    """The row of an artwork from its job's summary, or of one that has none."""
    if state != "done" or summary is None or "score" not in summary:
        return ReportRow(path=path, state=state, **more)
    error = summary["score"]["s_cielab"]
    return ReportRow(
        path=path,
        state=state,
        width_mm=summary["width_mm"],
        height_mm=summary["height_mm"],
        finishes=tuple(finish["id"] for finish in summary["finishes"]),
        mean=error["mean"],
        p95=error["p95"],
        warnings=len(summary["warnings"]),
        cautions=summary["cautions"],
        two_sided="sides" in summary,
        **more,
    )


def report_json(head: Mapping[str, Any], rows: Iterable[ReportRow]) -> Iterator[str]:
    """The report as JSON text, piece by piece: `head`, then `artworks` in the order of the rows."""
    yield json.dumps(dict(head), indent=1)[:-2].rstrip() + ',\n "artworks": ['
    for number, row in enumerate(rows):
        yield (",\n  " if number else "\n  ") + json.dumps(row.as_table())
    yield "\n ]\n}\n"


_STYLE = """
:root { color-scheme: light dark; font: 15px/1.45 system-ui, sans-serif; }
body { max-width: 72rem; margin: 1.5rem auto; padding: 0 1rem; }
img { max-width: 100%; height: auto; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; padding: .25rem .6rem; border-bottom: 1px solid #8886; vertical-align: top; }
a.report { font-size: .8rem; opacity: .75; }
td.number, th.number { text-align: right; font-variant-numeric: tabular-nums; }
.fault { border-left: 4px solid #b3261e; padding-left: .6rem; }
"""


def report_html(
    title: str,
    told: Sequence[tuple[str, str]],
    worst_sheet: bytes | None,
    faults: Iterable[ReportRow],
    rows: Iterable[ReportRow],
    *,
    sheets: Sequence[str] = (),
) -> Iterator[str]:
    """The report as one HTML page that needs nothing else, piece by piece.

    told : lines at the top, what and how much. worst_sheet : a PNG of the worst WORST artworks. faults : what failed.
    rows : those that were converted, the worst first. sheets : links to the pages of the contact sheet.
    """
    yield (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{_STYLE}</style></head>\n<body>'
        f"<h1>{html.escape(title)}</h1>\n<table>"
    )
    for what, value in told:
        yield f"<tr><th>{html.escape(what)}</th><td>{html.escape(value)}</td></tr>\n"
    yield "</table>\n"
    if sheets:
        pages = " ".join(f'<a href="{html.escape(link)}">{number}</a>' for number, link in enumerate(sheets, 1))
        yield f"<p>All boards, as given: contact sheet {pages}</p>\n"
    if worst_sheet is not None:
        data = base64.b64encode(worst_sheet).decode()
        yield (
            f'<h2>The largest errors</h2>\n<img alt="Previews of the artworks with the largest mean error, '
            f'the largest first; the table below lists them" src="data:image/png;base64,{data}">\n'
        )
    first = True
    for row in faults:
        if first:
            yield "<h2>Not converted</h2>\n"
            first = False
        yield (
            f'<p class="fault"><strong>{html.escape(row.path)}</strong> ({html.escape(row.state)}): '
            f"{html.escape(row.fault)} {html.escape(row.mend)}</p>\n"
        )
    yield (
        "<h2>Artworks by mean error</h2>\n<p>Errors are S-CIELAB from the viewing distance; lower is better.</p>\n"
        '<table><tr><th>artwork</th><th class="number">mean</th><th class="number">95 %</th><th>size in mm</th>'
        '<th>finishes</th><th class="number">warnings</th><th class="number">cautions</th></tr>\n'
    )
    for row in rows:
        yield (
            f'<tr><td>{_linked(row)}</td><td class="number">{row.mean:.2f}</td><td class="number">{row.p95:.2f}</td>'
            f"<td>{row.width_mm:.1f} x {row.height_mm:.1f}</td><td>{html.escape(', '.join(row.finishes))}</td>"
            f'<td class="number">{row.warnings}</td><td class="number">{row.cautions}</td></tr>\n'
        )
    yield "</table>\n</body></html>\n"


def _linked(row: ReportRow) -> str:
    """The artwork's path, as a link to its picture beside the board's, and one to its report."""
    name = html.escape(row.path)
    if not row.result:
        return name
    base = html.escape(row.result)
    picture = "top/comparison.png" if row.two_sided else "comparison.png"
    return f'<a href="{base}{picture}">{name}</a> <a class="report" href="{base}report.json">report</a>'
