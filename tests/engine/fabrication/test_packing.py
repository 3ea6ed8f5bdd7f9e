"""Packing: nothing overlaps, nothing sticks out, whatever the sizes."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from worker.engine.fabrication.packing import pack
from worker.engine.fabrication.shapes import Block, Feature
from worker.patch_map import Rectangle

sizes = st.lists(st.tuples(st.floats(0.5, 30.0), st.floats(0.5, 20.0)), max_size=12)


def block(width: float, height: float) -> Block:
    place = Rectangle(x=0, y=0, width=width, height=height)
    return Block(width=width, height=height, features=(Feature(kind="block", place=place),))


@given(sizes)
def test_blocks_keep_apart_inside_the_strip(wanted: list[tuple[float, float]]) -> None:
    placed, height = pack([block(*size) for size in wanted], 30.0, 1.0)
    places = [b.at(x, y).features[0].place for x, y, b in placed]
    assert sorted((p.width, p.height) for p in places) == sorted(wanted)
    for p in places:
        assert p.x >= 0 and p.y >= 0 and p.x + p.width <= 30.0 + 1e-6 and p.y + p.height <= height + 1e-9
    for a, b in itertools.combinations(places, 2):
        across = max(a.x, b.x) - min(a.x + a.width, b.x + b.width)
        down = max(a.y, b.y) - min(a.y + a.height, b.y + b.height)
        assert max(across, down) >= 1.0 - 1e-6


def test_the_strip_is_filled_from_the_top() -> None:
    placed, height = pack([block(10, 4)] * 6, 32.0, 1.0)
    assert height == 9.0
    assert {(x, y) for x, y, _ in placed} == {(x, y) for x in (0.0, 11.0, 22.0) for y in (0.0, 5.0)}
