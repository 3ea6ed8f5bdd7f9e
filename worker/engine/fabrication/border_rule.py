"""The rim rule: which borders stay crisp when layers land a little off, and what shows along the others.

Layers shift against each other. A border along which one layer alone has an edge stays as sharp as that edge. Where the
edges of two layers coincide, a shift uncovers a third stack, so one of the two is drawn past the other by as much as
they may shift: a rim of a chosen stack. Legend beside an opening has no choice: it is pulled back, and what lies below
it shows. Copper that isn't seen is chosen so that its edge lies elsewhere. (Derived from the layers; the outcome for
the usual stacks is common practice, no source.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from worker.engine.fabrication.planes import COPPER, DRAWN, LEGEND, OPENING
from worker.fab_profile import FabProfile
from worker.finish import LayerRecipe

LayerName = Literal["copper", "solder mask", "legend"]
LAYER_OF: dict[int, LayerName] = {COPPER: "copper", OPENING: "solder mask", LEGEND: "legend"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    """How far layers may land from where they are drawn, in mm.

    solder_mask_mm, legend_mm : against the copper. pull_back_mm : legend's distance from every opening: the fab's
    clearance, or as far as both may shift towards each other where that is more.
    """

    solder_mask_mm: float
    legend_mm: float
    pull_back_mm: float

    def between_mm(self, layers: tuple[LayerName, ...]) -> float:
        """Width of the rim where the edges of these two layers coincide."""
        if "copper" not in layers:
            return self.pull_back_mm
        return self.legend_mm if "legend" in layers else self.solder_mask_mm


def tolerances_of(fab: FabProfile) -> Tolerances:
    """The profile's tolerances."""
    mask = fab.limits["solder_mask", "registration_mm"].value_mm
    legend = fab.limits["legend", "registration_mm"].value_mm
    clearance = fab.limits["legend", "clearance_mm"].value_mm
    return Tolerances(solder_mask_mm=mask, legend_mm=legend, pull_back_mm=max(clearance, mask + legend))


def whole_pixels(mm: float, pitch_um: float) -> int:
    """A length in pixels, rounded up."""
    return max(0, math.ceil(mm * 1000.0 / pitch_um - 1e-9))


@dataclass(frozen=True, slots=True, kw_only=True)
class BorderRule:
    """What happens between two stacks.

    layers : those that have an edge there, bottom up. crisp : one layer at most. rims : stacks (bits of COPPER,
    OPENING, LEGEND) that a shift would uncover, of which one is drawn as a rim; none where the border is crisp.
    """

    layers: tuple[LayerName, ...]
    crisp: bool
    rims: tuple[int, ...]


def rule_between(one: int, other: int) -> BorderRule:
    """The rule between two stacks of layer bits."""
    differing = (one ^ other) & DRAWN
    edges = [bit for bit in (COPPER, OPENING, LEGEND) if differing & bit]
    layers = tuple(LAYER_OF[bit] for bit in edges)
    if len(edges) <= 1:
        return BorderRule(layers=layers, crisp=True, rims=())
    mixed = {(one & ~taken | other & taken) & DRAWN for taken in range(8) if taken & differing == taken}
    # Ink in an opening is no finish that can be made.
    possible = [bits for bits in mixed - {one & DRAWN, other & DRAWN} if not (bits & OPENING and bits & LEGEND)]
    return BorderRule(layers=layers, crisp=False, rims=tuple(sorted(possible)))


def rule_of(one: LayerRecipe, other: LayerRecipe) -> BorderRule:
    """The rule between two finishes. Copper that isn't seen in one of them matches the other's."""
    bits, other_bits = _bits(one), _bits(other)
    if one.copper == "either":
        bits |= other_bits & COPPER
    elif other.copper == "either":
        other_bits |= bits & COPPER
    return rule_between(bits, other_bits)


def _bits(recipe: LayerRecipe) -> int:
    copper = COPPER if recipe.copper in ("solid", "hatch") else 0
    return copper | (OPENING if recipe.mask_opening else 0) | (LEGEND if recipe.legend else 0)
