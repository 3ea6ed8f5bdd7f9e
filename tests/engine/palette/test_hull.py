"""Projection onto the hull of the finishes against scipy's non-negative least squares."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.hull_projection import linear_rgb_of, opponent_of, projected
from worker.engine.colorimetry import srgb_decoded
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.palette.hull import FINE_NODES, NODES, ONE, hull_table, hull_targets, pack, project_onto_hull, unpack
from worker.engine.palette.tables import DraftTables

Floats = npt.NDArray[np.float64]
RNG = np.random.default_rng(41)
POINTS = RNG.uniform(-0.3, 1.3, (300, 3))
SIX = RNG.uniform(0, 1, (6, 3))

SETS: dict[str, Floats] = {
    "one": SIX[:1],
    "two": SIX[:2],
    "three": SIX[:3],
    "four": SIX[:4],
    "six": SIX,
    "ten": RNG.uniform(0, 1, (10, 3)),
    "coplanar": SIX * [1, 1, 0] + [0, 0, 0.4],
    "collinear": np.linspace(0, 1, 5)[:, None] * [0.3, 0.5, -0.2] + [0.2, 0.1, 0.6],
    "identical": np.repeat(SIX[:1], 4, axis=0),
    "some identical": np.concatenate([SIX[:4], SIX[:4]]),
    "a plane and a point": np.concatenate([SIX[:5] * [1, 1, 0], [[0.5, 0.5, 0.9]]]),
    "nearly flat": SIX * [1, 1, 1e-7],
}


@pytest.mark.parametrize("name", SETS)
def test_against_non_negative_least_squares(name: str) -> None:
    vertices = SETS[name]
    points = np.concatenate([POINTS, vertices, vertices.mean(axis=0)[None], (vertices[:1] + vertices[-1:]) / 2])
    np.testing.assert_allclose(project_onto_hull(points, vertices), projected(points, vertices), atol=2e-6)


corner = st.tuples(*[st.integers(0, 6)] * 3)


@given(st.lists(corner, min_size=1, max_size=7), st.lists(corner, min_size=1, max_size=8))
@settings(max_examples=60, deadline=None)
def test_on_a_lattice_where_all_degenerates(corners: list[tuple[int, ...]], places: list[tuple[int, ...]]) -> None:
    """Whole coordinates make points coincide and lie on lines and planes again and again."""
    vertices, points = np.array(corners) / 6.0, np.array(places) / 5.0 - 0.1
    got, wanted = project_onto_hull(points, vertices), projected(points, vertices)
    distance = np.linalg.norm(got - points, axis=1) - np.linalg.norm(wanted - points, axis=1)
    np.testing.assert_allclose(distance, 0.0, atol=1e-6)
    np.testing.assert_allclose(got, wanted, atol=2e-5)


@given(st.lists(st.tuples(*[st.floats(-15.9, 15.9)] * 3), min_size=1, max_size=20))
def test_packing(colours: list[tuple[float, ...]]) -> None:
    np.testing.assert_allclose(unpack(pack(colours)), colours, atol=0.51 / ONE)


def test_packed_fields_add_without_mixing() -> None:
    one, two = RNG.uniform(-1, 1, (2, 500, 3))
    np.testing.assert_allclose(unpack(pack(one) + 7 * pack(two)), one + 7 * two, atol=8 * 0.51 / ONE)


def true_targets(srgb: npt.NDArray[np.uint8], finishes: Floats) -> Floats:
    """Each colour projected by itself: linear sRGB."""
    linear = srgb_decoded(srgb.reshape(-1, 3) / 255.0)
    return linear_rgb_of(projected(opponent_of(linear), opponent_of(finishes))).reshape(srgb.shape)


@pytest.mark.parametrize("name", ["nocturne-gold", "meadow-tin", "alba-black"])
def test_nodes_are_exact_and_what_lies_between_is_near(name: str, tables: MemoryTables) -> None:
    """Between nodes interpolation is off by less than 0.03 of white (0.020 measured), 0.001 on the average."""
    colours = finish_colours(board(name))
    table = hull_table(colours, tables=tables)
    assert table.shape == (NODES**3,)
    nodes = (RNG.integers(0, 32, (20, 20, 3)) * 8).astype(np.uint8)
    # Both ends of packing round: to 1/8192 of white.
    np.testing.assert_allclose(
        unpack(hull_targets(nodes, table), 16 * ONE), true_targets(nodes, colours.linear_rgb), atol=0.6 / ONE
    )
    art = RNG.integers(0, 256, (60, 60, 3), dtype=np.uint8)
    error = np.abs(unpack(hull_targets(art, table), 16 * ONE) - true_targets(art, colours.linear_rgb)).max(axis=2)
    assert error.max() < 0.03
    assert error.mean() < 0.001


def test_colours_inside_the_hull_stay() -> None:
    finishes = finish_colours(board("nocturne-gold"))
    weights = RNG.dirichlet(np.ones(5), 400)
    inside = opponent_of(weights @ finishes.linear_rgb)
    np.testing.assert_allclose(project_onto_hull(inside, opponent_of(finishes.linear_rgb)), inside, atol=1e-9)


def test_a_kept_table_is_used_again_and_a_broken_one_is_not(own_tables: MemoryTables) -> None:
    colours = finish_colours(board())
    table = hull_table(colours, tables=own_tables)
    (key,) = own_tables.kept
    own_tables.kept[key] = b"cut short"
    assert hull_table(colours, tables=own_tables).tobytes() == table.tobytes()
    assert own_tables.kept[key] == table.tobytes()


def test_a_draft_s_table_is_near_the_true_one_and_is_not_kept(tables: MemoryTables, own_tables: MemoryTables) -> None:
    """A 1024th of white on the average, no more than a 30th; every second node is the true one."""
    colours = finish_colours(board("alba-black"))
    draft = unpack(hull_table(colours, nodes=FINE_NODES, tables=DraftTables(own_tables))).reshape(*3 * [FINE_NODES], 3)
    true = unpack(hull_table(colours, nodes=FINE_NODES, tables=tables)).reshape(draft.shape)
    assert own_tables.kept == {}
    np.testing.assert_array_equal(draft[::2, ::2, ::2], true[::2, ::2, ::2])
    error = np.abs(draft - true)
    assert 0 < error.mean() < 2**-10 and error.max() < 0.03


@pytest.mark.parametrize("threads", [2, 3, 8])
def test_threads_change_nothing(threads: int, tables: MemoryTables) -> None:
    table = hull_table(finish_colours(board()), tables=tables)
    art = RNG.integers(0, 256, (37, 23, 3), dtype=np.uint8)
    assert hull_targets(art, table, threads=threads).tobytes() == hull_targets(art, table).tobytes()
