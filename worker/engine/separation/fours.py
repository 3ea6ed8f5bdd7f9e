"""Where a dither lays bare laminate in squares of two by two cells, since bare metal stands around it.

Between bare metal parts with no mask there, a gap must be wider than a cell: limits.copper.metal_gap_mm. Laid cell by
cell, laminate among metal broke that limit everywhere, and mending it ate the mixture. In squares of four cells it
holds the limit by construction. It is coarser, so only blocks with many cells that break the limit are dithered so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Labels
from worker.engine.separation.families import BLOCK
from worker.fab_profile import FabProfile

Mask = npt.NDArray[np.bool_]

_TURNS = 5
"""How often it is dithered again at most: with coarse blocks single cells beside them may break the limit anew."""
_MANY = 8
"""Cells that break the limit in a block and those beside it, 144 cells in all, from which on it is dithered in fours.
Fewer are mended afterwards at less cost: with 1 in place of 8, S-CIELAB of nine boards was higher by up to 0.32."""
_NEAR = 2
"""Cells within which bare laminate and metal may have to do with each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MetalGap:
    """Bit sets of finishes: `bare` laminate, and bare `metal`, of which two parts are to keep their gap."""

    bare: int
    metal: int


def metal_gap(fab: FabProfile, known: Sequence[int], cell_um: float) -> MetalGap | None:
    """The finishes of `known`, by their place there, between which cells are too narrow a gap; None if none are."""
    if fab.limits["copper", "metal_gap_mm"].value_mm * 1000.0 <= cell_um + 1e-6:
        return None
    bare, metal = gap_finishes(fab, known)
    return MetalGap(bare=_bits(bare), metal=_bits(metal)) if bare and metal else None


def gap_finishes(fab: FabProfile, known: Sequence[int]) -> tuple[list[int], list[int]]:
    """Places in `known` of bare laminate, and of bare metal."""
    recipes = [(place, fab.finishes[i].recipe) for place, i in enumerate(known)]
    opened = [(place, recipe.copper in ("none", "either")) for place, recipe in recipes if recipe.mask_opening]
    return [place for place, bare in opened if bare], [place for place, bare in opened if not bare]


def _bits(places: Sequence[int]) -> int:
    return sum(1 << place for place in places)


def among_metal(labels: Labels, gap: MetalGap) -> Mask:
    """Cells of bare laminate that lie in no square of four cells free of metal: bool (h, w), of uint8 (h, w)."""
    sets = np.uint32(1) << labels.astype(np.uint32)
    bare, metal = ((sets & np.uint32(bits)) != 0 for bits in (gap.bare, gap.metal))
    here = np.pad(metal, 1)
    square = here[:-1, :-1] | here[:-1, 1:] | here[1:, :-1] | here[1:, 1:]
    return np.asarray(bare & square[:-1, :-1] & square[:-1, 1:] & square[1:, :-1] & square[1:, 1:])


def decided_in_fours(
    gap: MetalGap | None, shape: tuple[int, int], decide: Callable[[Mask | None], tuple[Labels, Mask]]
) -> Labels:
    """Decide cells, and again with more blocks in fours as long as much bare laminate is left among metal in others.

    Parameters
    ----------
    shape : rows and columns of cells.
    decide : given which blocks are in fours, bool (ceil(h / BLOCK), ceil(w / BLOCK)), or None, gives each cell's finish
        and which cells were its own to decide.
    """
    labels, own = decide(None)
    blocks = np.zeros(tuple(-(-side // BLOCK) for side in shape), dtype=np.bool_)
    for _ in range(_TURNS):
        if gap is None:
            break
        more = blocks | _crowded_blocks(among_metal(labels, gap) & own)
        if (more == blocks).all():
            break
        blocks = more
        labels, own = decide(blocks)
    return labels


def _crowded_blocks(cells: Mask) -> Mask:
    """Blocks that hold many of these cells together with the blocks beside them."""
    height, width = cells.shape
    whole = np.pad(cells, ((0, -height % BLOCK), (0, -width % BLOCK)))
    held = np.pad(whole.reshape(len(whole) // BLOCK, BLOCK, -1, BLOCK).sum(axis=(1, 3)), 1)
    rows = held[:-2] + held[1:-1] + held[2:]
    return np.asarray(rows[:, :-2] + rows[:, 1:-1] + rows[:, 2:] >= _MANY)


def kept_apart(allowed: npt.NDArray[np.uint32], labels: Labels, gap: MetalGap) -> npt.NDArray[np.uint32]:
    """What may be tried at each cell where dots are moved one by one: bare laminate near metal stays, and neither comes
    near the other. `allowed` : uint32 (h, w), bit sets."""
    sets = np.uint32(1) << labels.astype(np.uint32)
    bare, metal = (np.asarray((sets & np.uint32(bits)) != 0) for bits in (gap.bare, gap.metal))
    by_bare, by_metal = _grown(bare, _NEAR), _grown(metal, _NEAR)
    out = np.where(by_metal, allowed & ~np.uint32(gap.bare), allowed)
    out = np.where(by_bare, out & ~np.uint32(gap.metal), out)
    return np.where(bare & by_metal, np.uint32(0), out)


def _grown(mask: Mask, by: int) -> Mask:
    for _ in range(by):
        padded = np.pad(mask, 1)
        rows = padded[:-2] | padded[1:-1] | padded[2:]
        mask = rows[:, :-2] | rows[:, 1:-1] | rows[:, 2:]
    return mask
