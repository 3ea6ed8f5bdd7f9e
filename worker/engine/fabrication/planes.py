"""Layer planes: where each layer of one side is drawn. From here on they are the truth, not the label picture.

The planes of one side are the bits of one picture. Seen from outside, row 0 on top; pixels become millimetres, and y
turns upward, only where contours are made.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels, check_array
from worker.engine.palette.values import map_values
from worker.fab_profile import FabProfile
from worker.finish import LayerRecipe

Stack = npt.NDArray[np.uint8]
"""uint8 (H, W): the bits below, for each pixel."""

_ROWS = 64
"""Rows that are looked at at once."""

COPPER = 1
OPENING = 2
"""The solder mask is open here. (What the mask's file draws is its openings.)"""
LEGEND = 4
HATCHED = 8
"""The copper here is a hatch: COPPER is set over all of it, and the lines are cut when contours are made."""
FREE_COPPER = 16
"""Copper may be here or not: it isn't seen. COPPER says what has been chosen."""
PLATED = 32
"""Off the board: in a plated hole, whose edge no router cuts."""
PAD = 64
"""Off the board while art is repaired: a plated hole with its pad and the pad's opening, which art keeps away from."""
BOARD = 128

DRAWN = COPPER | OPENING | LEGEND
NO_FINISH = 254
"""Label of a pixel whose layers show a surface that the profile has no finish for."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LayerPlanes:
    """The layers of one side.

    stack : uint8 (H, W), read-only. No layer is drawn where BOARD is not set.
    """

    stack: Stack
    pitch_um: float

    def __post_init__(self) -> None:
        check_array("stack", self.stack, dtype=np.uint8, shape=(None, None))
        self.stack.setflags(write=False)

    @property
    def height_px(self) -> int:
        """Rows."""
        return int(self.stack.shape[0])

    @property
    def width_px(self) -> int:
        """Columns."""
        return int(self.stack.shape[1])

    def plane(self, bit: int) -> npt.NDArray[np.bool_]:
        """bool (H, W): where this bit is set."""
        return np.asarray((self.stack & np.uint8(bit)) != 0)

    def has(self, bit: int) -> bool:
        """Whether this bit is set anywhere."""
        each = bit * 0x0101010101010101  # in each byte of eight pixels
        return any(int(np.bitwise_or.reduce(rows, axis=None)) & each for rows in self._some_rows())

    def _some_rows(self) -> Iterator[npt.NDArray[np.uint8] | npt.NDArray[np.uint64]]:
        """The stack in parts of some rows, eight pixels at once where they lie in one piece."""
        for first in range(0, self.height_px, _ROWS):
            rows = self.stack[first : first + _ROWS]
            yield rows.reshape(-1).view(np.uint64) if rows.flags.c_contiguous and not rows.size % 8 else rows


def planes_of(labels: Labels, fab: FabProfile, *, pitch_um: float, threads: int = 1) -> LayerPlanes:
    """The layers that show each label's finish. Copper that nobody sees is left out at first, and marked as free.

    `labels` : uint8 (H, W), index of the finish; OUTSIDE where there is no board.
    """
    table = np.zeros(256, dtype=np.uint8)
    for i, finish in enumerate(fab.finishes):
        table[i] = BOARD | _bits(finish.recipe)
    return LayerPlanes(stack=map_values(labels, table, threads=threads), pitch_um=pitch_um)


def _bits(recipe: LayerRecipe) -> int:
    copper = {"none": 0, "solid": COPPER, "hatch": COPPER | HATCHED, "either": FREE_COPPER}[recipe.copper]
    return copper | (OPENING if recipe.mask_opening else 0) | (LEGEND if recipe.legend else 0)


def finish_by_layers(fab: FabProfile) -> npt.NDArray[np.uint8]:
    """uint8 (256,): the finish that each stack of bits shows; NO_FINISH where the profile has none, OUTSIDE off board.

    Of finishes that the same layers show, the first one counts. A hatch shows the hatched finish where there is one.
    """
    table = np.full(256, NO_FINISH, dtype=np.uint8)
    for bits in range(256):
        if not bits & BOARD:
            table[bits] = OUTSIDE
            continue
        for i, finish in enumerate(fab.finishes):
            if _shows(finish.recipe, bits):
                table[bits] = i
                break
    return table


def _shows(recipe: LayerRecipe, bits: int) -> bool:
    if recipe.legend != bool(bits & LEGEND) or recipe.mask_opening != bool(bits & OPENING):
        return False
    if recipe.copper == "either":
        return True
    if recipe.copper == "none":
        return not bits & COPPER
    return bool(bits & COPPER) and (recipe.copper == "hatch") == bool(bits & HATCHED)


def seen_labels(planes: LayerPlanes, fab: FabProfile, *, threads: int = 1) -> Labels:
    """The finish that is seen at each pixel: uint8 (H, W), NO_FINISH and OUTSIDE as in `finish_by_layers`."""
    return map_values(planes.stack, finish_by_layers(fab), threads=threads)
