"""Families of finishes that can stand side by side."""

from __future__ import annotations

import numpy as np
import pytest

from tests.boards import board
from worker.engine.palette.finish_colours import colours_from_lab, finish_colours
from worker.engine.separation.families import BLOCK, choose_families, find_families


@pytest.mark.parametrize("name", ["nocturne-gold", "meadow-tin", "alba-black"])
def test_no_family_holds_both_legend_and_openings(name: str) -> None:
    fab = board(name)
    recipes = [finish.recipe for finish in fab.finishes]
    families = find_families(finish_colours(fab), recipes)
    assert len(families.members) == 2
    for members, bits in zip(families.members, families.bits, strict=True):
        own = [recipes[i] for i in members]
        assert not (any(recipe.legend for recipe in own) and any(recipe.mask_opening for recipe in own))
        assert [i for i in range(16) if bits >> i & 1] == list(members)
    assert sorted(set().union(*families.members)) == list(range(len(recipes)))


def test_finishes_that_all_agree_are_one_family() -> None:
    fab = board("nocturne-gold")
    keep = [i for i, finish in enumerate(fab.finishes) if not finish.recipe.legend]
    colours = finish_colours(fab)
    families = find_families(
        colours_from_lab(tuple(colours.ids[i] for i in keep), colours.lab[keep]), [fab.finishes[i].recipe for i in keep]
    )
    assert families.members == (tuple(range(len(keep))),)
    assert not choose_families(np.zeros((9, 9, 3), dtype=np.uint8), families).any()


def test_each_place_takes_the_family_that_can_show_it() -> None:
    """White can be shown with legend alone, gold with openings alone."""
    fab = board("nocturne-gold")
    colours = finish_colours(fab)
    families = find_families(colours, [finish.recipe for finish in fab.finishes])
    cells = np.zeros((160, 320, 3), dtype=np.uint8)
    cells[:, :160] = colours.srgb[colours.ids.index("legend")]
    cells[:, 160:] = colours.srgb[colours.ids.index("gold")]
    chosen = choose_families(cells, families)
    assert chosen.shape == (160 // BLOCK, 320 // BLOCK)
    legend, gold = (
        next(i for i, members in enumerate(families.members) if colours.ids.index(finish) in members)
        for finish in ("legend", "gold")
    )
    assert (chosen[:, :20] == legend).all() and (chosen[:, -20:] == gold).all()
    assert (choose_families(cells, families, threads=3) == chosen).all()
