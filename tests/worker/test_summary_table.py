"""The table at the end of a run. An inch is 25.4 mm exactly."""

from __future__ import annotations

import io
from contextlib import redirect_stdout

import pytest
from rich.console import Console

from worker.job_summary import summary_of
from worker.summary_table import SummaryRow, print_summary, size_text, summary_row

REPORT = {
    "grid": {"width_mm": 60.0, "height_mm": 30.0},
    "board": {"width_mm": 50.8, "height_mm": 25.4},
    "finishes": [{"id": "mask", "share": 0.75}, {"id": "tin", "share": 0.0}, {"id": "legend", "share": 0.25}],
    "score": {
        "s_cielab": {"mean": 3.14159, "median": 1.0, "p95": 9.5, "max": 20.0},
        "continuous_reference": {"mean": 2.5, "median": 1.0, "p95": 5.0, "max": 9.0},
    },
    "near_ties": [],
}
WHOLE = {**REPORT, "cautions": [], "warnings": []}
TIED = {**REPORT, "near_ties": [{}, {}]}
LONG = "a-folder/" + "a-rather-long-stem-of-an-artwork-" * 5


def printed(rows: list[SummaryRow], *, terminal: bool, width: int = 160) -> str:
    file = io.StringIO()
    with redirect_stdout(file):
        print_summary(rows, Console(force_terminal=True, width=width, color_system=None) if terminal else None)
    return file.getvalue()


def test_a_row_holds_what_the_report_says() -> None:
    row = summary_row("moon", REPORT, 1.25)
    assert row.finishes == ("mask", "legend")
    assert (row.mean, row.p95, row.continuous, row.seconds) == (3.14159, 9.5, 2.5, 1.25)


def test_the_size_is_the_boards_which_may_be_less_than_the_artworks() -> None:
    summary = summary_of(WHOLE)
    row = summary_row("moon", REPORT, 1.0)
    assert (row.width_mm, row.height_mm) == (summary["width_mm"], summary["height_mm"]) == (50.8, 25.4)


def test_sizes_are_in_mm_and_inch() -> None:
    assert size_text(50.8, 25.4) == "50.8 x 25.4 mm (2.00 x 1.00 in)"


def test_off_a_terminal_each_artwork_is_one_line_that_begins_with_its_full_name() -> None:
    lines = printed([summary_row(LONG, REPORT, 1.0), summary_row("sun", REPORT, 2.0)], terminal=False, width=40)
    first, second = lines.splitlines()
    assert first.startswith(f"{LONG}: 50.8 x 25.4 mm")
    assert second.startswith("sun: ")
    for word in ("mask, legend", "3.14", "9.50", "2.50", "2.0 s"):
        assert word in second
    assert "\x1b" not in lines


def test_on_a_terminal_it_is_a_table() -> None:
    text = printed([summary_row("moon", REPORT, 1.0)], terminal=True)
    assert "reference" in text
    assert "mask, legend" in text
    assert "not a proven bound" in " ".join(text.split())
    assert "moon" in text


def test_a_name_with_brackets_is_no_markup() -> None:
    assert "[red]moon" in printed([summary_row("[red]moon", REPORT, 1.0)], terminal=True)


@pytest.mark.parametrize("terminal", [True, False])
def test_near_ties_are_told_in_one_line_after_all_others(terminal: bool) -> None:
    assert "near ties" not in printed([summary_row("moon", REPORT, 1.0)], terminal=terminal)
    rows = [summary_row("moon", REPORT, 1.0), summary_row("[red]sun", TIED, 1.0)]
    last = printed(rows, terminal=terminal).splitlines()[-1]
    assert last.startswith("near ties: [red]sun 2 (")


def test_no_rows_print_nothing() -> None:
    assert printed([], terminal=True) == printed([], terminal=False) == ""
