"""A second checker of what a fab can make of masks, in plain numpy and OpenCV, knowing masks and recipes alone.

Two parts of a finish, or of a layer, must not touch at a corner only: a fab either joins or parts them, as it happens.
Legend must not stand beside an opening of the solder mask, corners included: fabs clip it off. (Common practice, no
source.)
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from worker.fab_profile import FabProfile

Mask = npt.NDArray[np.bool_]


def corner_touches(plane: Mask) -> int:
    """How many squares of four pixels hold two of the plane that meet at a corner only."""
    a, b, c, d = plane[:-1, :-1], plane[:-1, 1:], plane[1:, :-1], plane[1:, 1:]
    return int(((a & d & ~b & ~c) | (b & c & ~a & ~d)).sum())


def layer_planes(masks: dict[str, Mask], fab: FabProfile) -> tuple[Mask, Mask, Mask, Mask]:
    """Copper, where it is decided, opening and legend, as the finishes' recipes draw them."""
    shape = next(iter(masks.values())).shape
    copper, decided, opening, legend = (np.zeros(shape, dtype=bool) for _ in range(4))
    for finish in fab.finishes:
        here = masks[finish.id]
        if finish.recipe.copper != "either":
            decided |= here
        if finish.recipe.copper in ("solid", "hatch"):
            copper |= here
        if finish.recipe.mask_opening:
            opening |= here
        if finish.recipe.legend:
            legend |= here
    return copper, decided, opening, legend


def beside(one: Mask, other: Mask) -> int:
    """How many pixels of `one` have one of `other` among their eight neighbours."""
    grown = cv2.dilate(other.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    return int((one & grown).sum())


def violations(masks: dict[str, Mask], fab: FabProfile) -> dict[str, int]:
    """What breaks a rule, by its name; empty where all can be made."""
    found = {f"{name} touches itself at corners": corner_touches(mask) for name, mask in masks.items()}
    copper, decided, opening, legend = layer_planes(masks, fab)
    whole = decided[:-1, :-1] & decided[:-1, 1:] & decided[1:, :-1] & decided[1:, 1:]
    a, b, c, d = copper[:-1, :-1], copper[:-1, 1:], copper[1:, :-1], copper[1:, 1:]
    found["copper touches itself at corners"] = int((whole & (a == d) & (b == c) & (a != b)).sum())
    found["openings touch at corners"] = corner_touches(opening)
    found["legend touches itself at corners"] = corner_touches(legend)
    found["legend beside openings"] = beside(legend, opening)
    return {name: count for name, count in found.items() if count}


def thin_pixels(mask: Mask, width: int) -> int:
    """How many pixels of the mask lie in no square of `width` pixels that is all mask."""
    kernel = np.ones((width, width), np.uint8)
    whole = cv2.erode(mask.astype(np.uint8), kernel, anchor=(0, 0), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    reached = cv2.dilate(whole, kernel, anchor=(width - 1, width - 1), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return int((mask & (reached == 0)).sum())
