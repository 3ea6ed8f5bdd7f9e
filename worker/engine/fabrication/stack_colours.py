"""What a stack of layers looks like, whether the profile has a finish for it or not."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.engine.fabrication.planes import (
    BOARD,
    COPPER,
    HATCHED,
    LEGEND,
    NO_FINISH,
    OPENING,
    finish_by_layers,
)
from worker.fab_profile import FabProfile

_LAYERS = ((COPPER, "copper"), (OPENING, "mask opening"), (LEGEND, "legend"))


def nearest_finish(fab: FabProfile) -> npt.NDArray[np.uint8]:
    """uint8 (256,): `finish_by_layers`, but a stack that is no finish gets the one whose layers differ the least.

    What lies on top counts most: legend, then the mask, then copper, then its hatch. Of equals, the first one counts.
    """
    exact = finish_by_layers(fab)
    table = exact.copy()
    known = [bits for bits in range(256) if bits & BOARD and exact[bits] < NO_FINISH]
    for bits in range(256):
        if exact[bits] == NO_FINISH:
            table[bits] = exact[min(known, key=lambda other: (_distance(bits, other), exact[other], other))]
    return table


def _distance(one: int, other: int) -> int:
    differing = one ^ other
    # Ink hides what is below it.
    opening = 1 if one & LEGEND else 8
    return (
        16 * bool(differing & LEGEND)
        + opening * bool(differing & OPENING)
        + 4 * bool(differing & COPPER)
        + 2 * bool(differing & HATCHED)
    )


def stack_lab(fab: FabProfile, colours_lab: Floats) -> Floats:
    """float64 (256, 3), CIELAB: the colour of every stack on the board; that of the nearest finish where it is none.

    `colours_lab` : float64 (n, 3), CIELAB of the profile's finishes. Off the board it holds the first finish's.
    """
    table = nearest_finish(fab)
    return np.asarray(colours_lab[np.where(table < len(colours_lab), table, 0)], dtype=np.float64)


def stack_name(fab: FabProfile, bits: int) -> str:
    """The finish id of a stack on the board, or its layers in words where the profile has no finish for it."""
    finish = int(finish_by_layers(fab)[bits | BOARD])
    if finish < NO_FINISH:
        return fab.finishes[finish].id
    drawn = [name for bit, name in _LAYERS if bits & bit]
    return "no finish: " + (" and ".join(drawn) if drawn else "mask alone")
