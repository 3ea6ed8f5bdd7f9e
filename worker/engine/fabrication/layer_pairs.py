"""Which two finishes of a profile show one layer: they differ in nothing but that layer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from worker.engine.arrays import Lab
from worker.engine.difference import ciede2000
from worker.fab_profile import FabProfile
from worker.finish import LayerRecipe

_Differ = Callable[[LayerRecipe, LayerRecipe], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerPair:
    """Indices of two finishes of the profile: `without` the layer's mark, and `having` it."""

    without: int
    having: int


def copper_pair(fab: FabProfile, lab: Lab, *, bare: bool) -> LayerPair | None:
    """Copper and no copper, both bare or both under the solder mask."""

    def differ(first: LayerRecipe, second: LayerRecipe) -> bool:
        coppers, openings = (first.copper, second.copper), (first.mask_opening, second.mask_opening)
        return coppers == ("none", "solid") and openings == (bare, bare)

    return _clearest(fab, lab, differ)


def opening_pair(fab: FabProfile, lab: Lab) -> LayerPair | None:
    """Solder mask and its opening, over the same copper."""

    def differ(first: LayerRecipe, second: LayerRecipe) -> bool:
        return not first.mask_opening and second.mask_opening and _same_copper(first, second)

    return _clearest(fab, lab, differ)


def legend_pair(fab: FabProfile, lab: Lab) -> LayerPair | None:
    """Solder mask, and legend on it, over the same copper."""
    legends = {i for i, finish in enumerate(fab.finishes) if finish.recipe.legend}
    pairs = [
        LayerPair(without=i, having=j)
        for i, finish in enumerate(fab.finishes)
        for j in legends
        if i not in legends and not finish.recipe.mask_opening and _same_copper(finish.recipe, fab.finishes[j].recipe)
    ]
    return _most_contrast(pairs, lab)


def _clearest(fab: FabProfile, lab: Lab, differ: _Differ) -> LayerPair | None:
    """Of the pairs without legend that differ so, the one whose two colours differ the most."""
    plain = [i for i, finish in enumerate(fab.finishes) if not finish.recipe.legend]
    pairs = [
        LayerPair(without=i, having=j)
        for i in plain
        for j in plain
        if differ(fab.finishes[i].recipe, fab.finishes[j].recipe)
    ]
    return _most_contrast(pairs, lab)


def _most_contrast(pairs: list[LayerPair], lab: Lab) -> LayerPair | None:
    return max(pairs, key=lambda pair: float(ciede2000(lab[pair.without], lab[pair.having])), default=None)


def _same_copper(first: LayerRecipe, second: LayerRecipe) -> bool:
    return first.copper == second.copper or "either" in (first.copper, second.copper)


def writing_finish(fab: FabProfile, lab: Lab, background: int) -> int:
    """The finish for text and marks on the background: legend if it can be seen there, else the clearest other one.

    Legend can't be printed in an opening, nor anything be opened under legend.
    """
    ground = fab.finishes[background].recipe
    others = [
        i
        for i, finish in enumerate(fab.finishes)
        if i != background
        and not (finish.recipe.legend and ground.mask_opening)
        and not (finish.recipe.mask_opening and ground.legend)
    ] or [i for i in range(len(fab.finishes)) if i != background]
    contrast = {i: float(ciede2000(lab[i], lab[background])) for i in others}
    legends = [i for i in others if fab.finishes[i].recipe.legend and contrast[i] >= _CLEAR]
    return max(legends or others, key=lambda i: contrast[i])


_CLEAR = 20.0
"""CIEDE2000 from which letters of a millimetre are easy to read (our own judgement, no source)."""
