"""A plan's files: its pictures, plan.json, and plan.html, which shows both with nothing else at hand."""

from __future__ import annotations

import html
import json
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from worker.job_settings import FOR_PLANS, Settings

if TYPE_CHECKING:
    from worker.engine.plan.plan import Plan

FOOTNOTE = (
    "Errors are S-CIELAB from the viewing distance; lower is better. +- is what the mean may be off by in 95 of 100 "
    "cases, since references are. Boards with one number can't be told from the first of them."
)


def plan_record(plan: Plan, settings: Settings) -> dict[str, Any]:
    """What plan.json holds."""
    return {**plan.record(), "settings": {name: settings.as_text()[name] for name in FOR_PLANS}}


def plan_files(plan: Plan, settings: Settings) -> Iterator[tuple[str, bytes]]:
    """Path and bytes of every file of a plan."""
    record = plan_record(plan, settings)
    yield from plan.files()
    yield "plan.json", (json.dumps(record, indent=1, ensure_ascii=False) + "\n").encode()
    yield "plan.html", plan_page(record).encode()


_STYLE = """
:root { color-scheme: light dark; font: 15px/1.45 system-ui, sans-serif; }
body { max-width: 72rem; margin: 1.5rem auto; padding: 0 1rem; }
img { max-width: 100%; height: auto; } figure { margin: 0 0 1.5rem; } figure img { max-height: 24rem; }
.boards { display: flex; flex-wrap: wrap; gap: 1rem; } .boards figure { width: 15rem; margin: 0; }
table { border-collapse: collapse; width: 100%; margin: 1rem 0; }
th, td { text-align: left; padding: .25rem .6rem; border-bottom: 1px solid #8886; vertical-align: top; }
td.number, th.number { text-align: right; font-variant-numeric: tabular-nums; }
"""


def plan_page(record: dict[str, Any]) -> str:
    """The plan as one HTML page beside its pictures. `record` : what plan.json holds."""
    artwork, boards = record["artwork"], record["boards"]
    title = f"Plan for {artwork['name']}"
    size = f"{artwork['width_mm']:.4g} x {artwork['height_mm']:.4g} mm"
    figures = [_figure("artwork.png", "The artwork", f"The artwork, {size}")]
    figures += [_board_figure(board) for board in boards]
    advice = "".join(_figure(one["picture"], f"Places of: {one['text']}", one["text"]) for one in record["advice"]) or (
        "<p>Nothing: no two colours merge, no gradient bands, no stroke is too thin.</p>"
    )
    rows = "".join(_row(board) for board in boards)
    warnings = "".join(f"<p>{html.escape(text)}</p>" for text in record["warnings"])
    best = html.escape(boards[0]["fab"]["id"])
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{_STYLE}</style></head>\n<body>'
        f"<h1>{html.escape(title)}</h1>\n<p>Seen from {record['viewing_distance_mm']:g} mm. {html.escape(FOOTNOTE)}</p>"
        f'\n<div class="boards">{"".join(figures)}</div>\n<table><tr><th>board</th><th class="number">error</th>'
        '<th class="number">95 %</th><th>drawn by</th><th>behind the best</th><th class="number">out of reach</th>'
        f"<th>best finishes by their number</th><th>too thin</th></tr>{rows}</table>\n"
        f"<h2>What to change for {best}</h2>\n{advice}\n"
        f"{_figure('recoloured.png', 'The artwork in colours that the board has', f'In colours that {best} has')}"
        f"{warnings}</body></html>\n"
    )


def _figure(source: str, alternative: str, caption: str) -> str:
    return (
        f'<figure><img src="{html.escape(source)}" alt="{html.escape(alternative)}">'
        f"<figcaption>{html.escape(caption)}</figcaption></figure>\n"
    )


def _board_figure(board: dict[str, Any]) -> str:
    fab, error = board["fab"], board["expected_s_cielab"]["mean"]
    caption = f"{board['place']}. {fab['id']}: {error:.2f} +- {board['uncertainty']:.2f}. {fab['fab']}, {fab['name']}"
    return _figure(f"boards/{fab['id']}.png", f"What {fab['id']} would show", caption)


def _row(board: dict[str, Any]) -> str:
    behind = board["behind_best"]
    told = "as good, as far as is known" if behind["as_good_as_best"] else f"{behind['mean']:.2f}"
    curve = "; ".join(
        f"{len(step['finishes'])}: {step['ciede2000_mean']:.1f} ({', '.join(step['finishes'])})"
        for step in board["finishes"]["best_by_number"]
    )
    thin = "; ".join(
        f"{risk['finish']}: {risk['places']} places down to {risk['thinnest_mm']:.2f} mm of {risk['limit_mm']:g}"
        for risk in board["too_thin"]
    )
    cells = (
        ("", f"{board['place']}. {board['fab']['id']}"),
        ("number", f"{board['expected_s_cielab']['mean']:.2f} +- {board['uncertainty']:.2f}"),
        ("number", f"{board['expected_s_cielab']['p95']:.2f}"),
        ("", f"{board['edges']}: {board['edges_reason']}"),
        ("", f"{told} +- {behind['uncertainty']:.2f}"),
        ("number", f"{100 * board['out_of_reach']['of_finishes']:.0f} %"),
        ("", f"{board['finishes']['needed']} do most. CIEDE2000 by number: {curve}"),
        ("", thin or "none"),
    )
    return "<tr>" + "".join(f'<td class="{kind}">{html.escape(text)}</td>' for kind, text in cells) + "</tr>\n"
