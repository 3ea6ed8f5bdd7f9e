"""The board's edge from profiles: its area against geometry's own formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.engine.circuit.circuits import area, at, box, gerber, number, profile
from worker.engine.circuit.board_outline import read_outline
from worker.engine.fabrication.board import ring_area
from worker.errors import CircuitError

PEN = "%ADD10C,0.1*%\nD10*\nG75*\nG01*\n"


def circle(x: float, y: float, radius: float) -> str:
    """A full turn of one arc."""
    return at(x + radius, y, 2) + f"G03*\nX{number(x + radius)}Y{number(y)}I{number(-radius)}J0D01*\nG01*\n"


def test_arcs_close_a_disc_and_a_cut_out_lies_in_it() -> None:
    """pi r^2; the pen's width counts for nothing, as the edge is its middle (Gerber specification, from memory)."""
    outer, inner = read_outline(gerber("Profile,NP", PEN + circle(50, 50, 20) + circle(45, 50, 3)), name="edge")
    assert ring_area(outer) == pytest.approx(math.pi * 400, rel=2e-4)
    assert ring_area(inner) == pytest.approx(-math.pi * 9, rel=1e-3)
    assert np.hypot(*(outer - 50).T) == pytest.approx(20.0, abs=1e-6)


def test_round_corners_and_lines_in_any_order_make_one_ring() -> None:
    """A rectangle with round corners: a b - (4 - pi) r^2."""
    r = 2.0
    lines = [((r, 0), (20 - r, 0)), ((20, 10 - r), (20, r)), ((r, 10), (20 - r, 10)), ((0, r), (0, 10 - r))]
    arcs = [
        ((20 - r, 0), (20, r), (0, r)),
        ((20, 10 - r), (20 - r, 10), (-r, 0)),
        ((r, 10), (0, 10 - r), (0, -r)),
        ((0, r), (r, 0), (r, 0)),
    ]
    body = PEN + "".join(at(*a, 2) + at(*b, 1) for a, b in lines) + "G03*\n"
    for (x, y), (to_x, to_y), (i, j) in arcs:
        body += at(x, y, 2) + f"X{number(to_x)}Y{number(to_y)}I{number(i)}J{number(j)}D01*\n"
    (ring,) = read_outline(gerber("Profile,NP", body), name="edge")
    assert ring_area(ring) == pytest.approx(200 - (4 - math.pi) * r * r, rel=1e-4)


def test_a_region_is_an_outline_too() -> None:
    """The Gerber Guide calls a filled region the proper profile (chapter 3)."""
    (ring,) = read_outline(gerber("Profile,NP", area(box(5, 5, 25, 15))), name="edge")
    assert ring_area(ring) == pytest.approx(200.0)


def test_inches_are_inches() -> None:
    """1 in = 25.4 mm by definition."""
    data = gerber("Profile,NP", PEN + at(0, 0, 2) + at(2, 0, 1) + at(2, 1, 1) + at(0, 1, 1) + at(0, 0, 1))
    (ring,) = read_outline(data.replace(b"MOMM", b"MOIN"), name="edge")
    assert np.ptp(ring, axis=0) == pytest.approx((50.8, 25.4))


def test_ends_that_rounding_parts_still_meet() -> None:
    body = profile(0, 0, 10, 10).replace("X0Y10000000D01", "X0Y10001000D01")
    (ring,) = read_outline(gerber("Profile,NP", body), name="edge")
    assert ring_area(ring) == pytest.approx(100.0, rel=1e-3)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (PEN, "no closed outline"),
        (PEN + at(0, 0, 2) + at(9, 0, 1) + at(9, 9, 1) + at(0.1, 0, 1), "none going on"),
        (PEN + at(0, 0, 2) + at(9, 9, 1) + at(9, 0, 1) + at(0, 9, 1) + at(0, 0, 1), "more than one board|crosses"),
        (profile(0, 0) + at(6, 0, 2) + at(6, 8, 1), "more than one board"),
        (PEN + at(1, 1, 3), "flashes"),
        (profile(0, 0, 0.5, 0.5), "area of 0.25 mm2"),
    ],
)
def test_an_edge_that_is_no_single_closed_line_is_an_error(body: str, said: str) -> None:
    with pytest.raises(CircuitError, match=said):
        read_outline(gerber("Profile,NP", body), name="edge.gbr")
