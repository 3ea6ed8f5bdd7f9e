"""The rim rule: derived from the layers, it says what the trade's enumeration says."""

from __future__ import annotations

import itertools

import pytest

from tests.boards import board
from tests.engine.fabrication.fabs import DEMO
from worker.engine.fabrication.border_rule import rule_between, rule_of, tolerances_of
from worker.engine.fabrication.planes import COPPER, LEGEND, OPENING
from worker.engine.fabrication.stack_colours import nearest_finish, stack_name
from worker.finish import CopperLayer, LayerRecipe


def recipe(copper: CopperLayer, opening: bool, legend: bool) -> LayerRecipe:
    return LayerRecipe(copper=copper, mask_opening=opening, legend=legend)


LAMINATE = recipe("none", True, False)
COPPER_UNDER_MASK = recipe("solid", False, False)
MASK = recipe("none", False, False)
METAL = recipe("solid", True, False)
PRINT = recipe("either", False, True)

# Of the ten pairs of five surfaces six depend on one layer's edge: common practice, no source; enumerated by hand from
# the layers. The other four, and the stacks that can show between them, likewise.
CRISP = [
    (LAMINATE, METAL, "copper"),
    (COPPER_UNDER_MASK, MASK, "copper"),
    (METAL, COPPER_UNDER_MASK, "solder mask"),
    (LAMINATE, MASK, "solder mask"),
    (PRINT, COPPER_UNDER_MASK, "legend"),
    (PRINT, MASK, "legend"),
]
RIMS = [
    (METAL, MASK, {COPPER, OPENING}),
    (LAMINATE, COPPER_UNDER_MASK, {0, COPPER | OPENING}),
    (PRINT, METAL, {COPPER}),
    (PRINT, LAMINATE, {0}),
]


def test_the_ten_pairs_are_all_there() -> None:
    pairs = [(one, other) for one, other, _ in (*CRISP, *RIMS)]
    surfaces = [LAMINATE, COPPER_UNDER_MASK, MASK, METAL, PRINT]
    for one, other in itertools.combinations(surfaces, 2):
        assert ((one, other) in pairs) + ((other, one) in pairs) == 1


@pytest.mark.parametrize(("one", "other", "layer"), CRISP)
def test_six_pairs_depend_on_one_edge(one: LayerRecipe, other: LayerRecipe, layer: str) -> None:
    for rule in (rule_of(one, other), rule_of(other, one)):
        assert rule.crisp
        assert rule.layers == (layer,)
        assert rule.rims == ()


@pytest.mark.parametrize(("one", "other", "rims"), RIMS)
def test_four_pairs_show_a_third_stack(one: LayerRecipe, other: LayerRecipe, rims: set[int]) -> None:
    for rule in (rule_of(one, other), rule_of(other, one)):
        assert not rule.crisp
        assert set(rule.rims) == rims


def test_print_over_bare_mask_beside_copper_is_not_crisp_where_copper_may_not_match() -> None:
    rule = rule_of(recipe("none", False, True), COPPER_UNDER_MASK)
    assert rule.layers == ("copper", "legend")
    assert set(rule.rims) == {0, COPPER | LEGEND}


@pytest.mark.parametrize("one", range(8))
@pytest.mark.parametrize("other", range(8))
def test_rims_differ_from_both_sides_in_fewer_layers(one: int, other: int) -> None:
    rule = rule_between(one, other)
    assert rule == rule_between(other, one)
    for rim in rule.rims:
        for side in (one, other):
            assert 0 < (rim ^ side).bit_count() < (one ^ other).bit_count()


@pytest.mark.parametrize("name", DEMO)
def test_legend_keeps_as_far_as_both_layers_may_shift(name: str) -> None:
    tolerances = tolerances_of(board(name))
    assert tolerances.pull_back_mm >= tolerances.solder_mask_mm + tolerances.legend_mm
    assert tolerances.pull_back_mm >= board(name).limits["legend", "clearance_mm"].value_mm


def test_a_stack_that_is_no_finish_is_named_and_stands_in_by_what_lies_on_top() -> None:
    fab = board("meadow-tin")
    ink_on_metal = COPPER | OPENING | LEGEND
    assert stack_name(fab, ink_on_metal) == "no finish: copper and mask opening and legend"
    assert fab.finishes[nearest_finish(fab)[ink_on_metal | 128]].id == "legend"
