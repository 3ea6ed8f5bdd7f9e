"""Pairs of finishes that show one layer, and the finish to write with."""

from __future__ import annotations

import pytest

from tests.boards import board
from tests.engine.fabrication.fabs import changed, lab, without
from worker.engine.fabrication.layer_pairs import LayerPair, copper_pair, legend_pair, opening_pair, writing_finish
from worker.fab_profile import FabProfile


def named(fab: FabProfile, pair: LayerPair | None) -> tuple[str, str] | None:
    return None if pair is None else (fab.finishes[pair.without].id, fab.finishes[pair.having].id)


@pytest.mark.parametrize(
    ("name", "masked", "bare", "opening", "legend"),
    [
        # Of two pairs of one layer the one of more contrast: dark mask to dark laminate can hardly be told apart.
        ("nocturne-gold", ("mask", "copper"), ("substrate", "gold"), ("copper", "gold"), ("mask", "legend")),
        ("meadow-tin", ("mask", "mask-copper"), ("substrate", "tin"), ("mask", "substrate"), ("mask", "legend")),
        ("alba-black", None, ("substrate", "gold"), ("mask", "gold"), ("mask", "legend")),
    ],
)
def test_pairs_of_the_demo_profiles(name: str, masked: object, bare: object, opening: object, legend: object) -> None:
    fab = board(name)
    colours = lab(fab)
    assert named(fab, copper_pair(fab, colours, bare=False)) == masked
    assert named(fab, copper_pair(fab, colours, bare=True)) == bare
    assert named(fab, opening_pair(fab, colours)) == opening
    assert named(fab, legend_pair(fab, colours)) == legend


def test_without_a_finish_there_is_no_pair() -> None:
    fab = without("alba-black", "substrate")
    assert copper_pair(fab, lab(fab), bare=True) is None


@pytest.mark.parametrize("name", ["nocturne-gold", "meadow-tin", "alba-black"])
def test_legend_writes_where_it_can_be_seen(name: str) -> None:
    fab = board(name)
    ids = [finish.id for finish in fab.finishes]
    assert ids[writing_finish(fab, lab(fab), ids.index("mask"))] == "legend"


def test_legend_is_not_printed_in_an_opening() -> None:
    fab = changed("nocturne-gold", ('background = "mask"', 'background = "substrate"'))
    ids = [finish.id for finish in fab.finishes]
    assert ids[writing_finish(fab, lab(fab), ids.index("substrate"))] == "gold"


def test_a_legend_that_hardly_shows_gives_way() -> None:
    fab = changed("alba-black", (r"lab = \[17.0, 0.3, 0.5\]", "lab = [92.0, 0.3, 0.5]"))
    ids = [finish.id for finish in fab.finishes]
    assert ids[writing_finish(fab, lab(fab), ids.index("mask"))] in ("gold", "substrate")
