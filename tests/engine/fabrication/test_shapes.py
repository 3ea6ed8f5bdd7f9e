"""Shapes on the grid: equal widths stay equal, areas are right, and blocks move and turn as one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.engine.fabrication.shapes import Block, Box, Canvas, Disc, Feature, Grid, Lettering, Slant
from worker.patch_map import Rectangle


def canvas(pitch_mm: float = 0.02, side: float = 4.0) -> Canvas:
    return Canvas(Grid(pitch_mm=pitch_mm), side, side, 0)


@given(x=st.floats(0.1, 1.0), width=st.floats(0.03, 2.0), pitch=st.sampled_from([0.005, 0.0125, 0.02, 0.03]))
def test_a_width_does_not_depend_on_the_place(x: float, width: float, pitch: float) -> None:
    board = canvas(pitch)
    board.draw(Box(place=Rectangle(x=x, y=1.0, width=width, height=1.0), finish=1))
    drawn = int((board.labels == 1).any(axis=0).sum())
    assert abs(drawn * pitch - width) <= pitch / 2 + 1e-5 * pitch
    assert drawn == max(1, board.grid.pixels(width))


@given(
    x=st.floats(1.0, 3.0), y=st.floats(1.0, 3.0), diameter=st.floats(0.03, 1.5), pitch=st.sampled_from([0.0125, 0.025])
)
def test_a_disc_has_its_area_about_its_centre(x: float, y: float, diameter: float, pitch: float) -> None:
    board = canvas(pitch)
    board.draw(Disc(x=x, y=y, diameter=diameter, finish=1))
    rows, columns = np.nonzero(board.labels)
    assert len(rows) == max(1, round(math.pi / 4 * (diameter / pitch) ** 2))
    assert (columns.mean() + 0.5) * pitch == pytest.approx(x, abs=0.5 * pitch + 1e-9)
    assert (rows.mean() + 0.5) * pitch == pytest.approx(y, abs=0.5 * pitch + 1e-9)
    assert np.hypot((columns + 0.5) * pitch - x, (rows + 0.5) * pitch - y).max() < diameter / 2 + pitch


@given(x=st.floats(1.5, 2.5), width=st.floats(0.1, 0.8), length=st.floats(0.5, 1.2))
def test_a_slanted_bar_has_its_area_and_rises_to_the_right(x: float, width: float, length: float) -> None:
    board = canvas(0.01)
    board.draw(Slant(x=x, y=2.0, width=width, length=length, finish=1))
    rows, columns = np.nonzero(board.labels)
    assert len(rows) * 1e-4 == pytest.approx(width * length, abs=0.5 * 0.01 * 2 * (width + length))
    if length > 1.1 * width:
        assert np.cov(columns, rows)[0, 1] < 0


def test_neighbouring_slanted_bars_leave_no_gap_and_do_not_overlap() -> None:
    board = canvas(0.02)
    step = 0.3 / math.sqrt(2.0)
    board.draw(Slant(x=2.0, y=2.0, width=0.3, length=1.0, finish=1))
    alone = int((board.labels == 1).sum())
    board.draw(Slant(x=2.0 + step, y=2.0 + step, width=0.3, length=1.0, finish=2))
    assert int((board.labels == 1).sum()) >= alone - 2
    both = canvas(0.02)
    both.draw(Slant(x=2.0 + step / 2, y=2.0 + step / 2, width=0.6, length=1.0, finish=3))
    assert np.count_nonzero(board.labels) == pytest.approx(np.count_nonzero(both.labels), abs=2)


def test_what_reaches_over_the_edge_is_cut_off() -> None:
    board = canvas()
    board.draw(Box(place=Rectangle(x=-1.0, y=3.5, width=2.0, height=2.0), finish=1))
    board.draw(Disc(x=4.0, y=0.0, diameter=1.0, finish=2))
    assert (board.labels[175:, :50] == 1).all() and (board.labels == 1).sum() == 25 * 50
    assert (board.labels == 2).sum() > 0


def test_lettering_is_never_thinner_than_its_width() -> None:
    board = canvas(0.02)
    board.draw(Lettering(strokes=([(1.0, 1.0), (3.0, 1.0)],), width=0.15, finish=1))
    assert (board.labels[:, 100] == 1).sum() * 0.02 >= 0.15


def test_a_block_moves_and_turns_as_one() -> None:
    place = Rectangle(x=0.5, y=1.0, width=2.0, height=0.25)
    block = Block(
        width=3.0,
        height=2.0,
        shapes=(Box(place=place, finish=1),),
        features=(Feature(kind="line", place=place, direction="y"),),
    )
    moved = block.at(10.0, 20.0)
    assert moved.features[0].place == Rectangle(x=10.5, y=21.0, width=2.0, height=0.25)
    turned = block.turned()
    assert (turned.width, turned.height, turned.features[0].direction) == (2.0, 3.0, "x")
    assert turned.features[0].place == Rectangle(x=1.0, y=0.5, width=0.25, height=2.0)
    assert turned.turned() == block
