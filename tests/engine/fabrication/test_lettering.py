"""Lettering: lines keep to their width, long words are broken, and every letter of an id has a glyph."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.engine.fabrication.fabs import changed
from worker.engine.fabrication.lettering import LEAST_HEIGHT_MM, Pen, pen_for, printable
from worker.engine.fabrication.shapes import Lettering

PEN = Pen(finish=1, stroke=0.15, height=1.0)


def test_ids_and_revisions_are_printed_as_they_are() -> None:
    letters = string.ascii_lowercase + string.digits + "-"
    assert printable(letters) == letters.upper()
    assert printable("Fänk_9") == "F-NK-9"


@given(st.text(string.ascii_uppercase + string.digits + " -.,", max_size=60))
def test_a_line_is_as_wide_as_it_says(text: str) -> None:
    line = PEN.line(text)
    xs = [x for shape in line.shapes if isinstance(shape, Lettering) for stroke in shape.strokes for x, _ in stroke]
    if xs:
        assert min(xs) >= PEN.stroke / 2 - 1e-9
        assert max(xs) <= line.width - PEN.stroke / 2 + 0.05 * PEN.height  # a G overhangs its advance a little


@given(st.lists(st.text(string.ascii_uppercase, min_size=1, max_size=40), min_size=1, max_size=6))
def test_broken_lines_fit_and_lose_no_letter(words: list[str]) -> None:
    text = " ".join(words)
    rows = PEN._broken(text, 20.0)
    assert "".join(rows).replace(" ", "") == "".join(words)
    assert all(PEN.width(row) <= 20.0 for row in rows)
    assert PEN.lines(text, 20.0).width <= 20.0


@pytest.mark.parametrize(("line", "height"), [("0.08", "0.8"), ("0.15", "1.0"), ("0.15", "1.5"), ("0.3", "1.0")])
def test_a_pen_keeps_the_fab_s_limits_and_leaves_gaps_as_wide(line: str, height: str) -> None:
    fab = changed(
        "alba-black",
        (r"(line_mm|gap_mm|dot_mm|opening_mm|web_mm) = \{ value = 0.15", rf"\1 = {{ value = {line}"),
        (r"text_height_mm = \{ value = [0-9.]+", f"text_height_mm = {{ value = {height}"),
    )
    pen = pen_for(fab, 1)
    assert pen.stroke == float(line)
    assert pen.height >= max(LEAST_HEIGHT_MM, float(height))
    assert (pen.spacing * pen.height) - pen.stroke >= float(line)
    assert pen.height / 2 - pen.stroke >= float(line)  # between the bars of an E
