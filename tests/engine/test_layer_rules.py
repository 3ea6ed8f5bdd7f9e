"""The second checker finds what it should, so that its silence means something."""

from __future__ import annotations

import numpy as np

from tests.boards import board
from tests.engine.layer_rules import beside, corner_touches, thin_pixels, violations


def test_corner_touches() -> None:
    plane = np.zeros((6, 6), dtype=bool)
    plane[1, 1] = plane[2, 2] = True
    assert corner_touches(plane) == 1
    assert corner_touches(plane[::-1]) == 1
    plane[1, 2] = True
    assert corner_touches(plane) == 0


def test_neighbours() -> None:
    one, other = np.zeros((5, 5), dtype=bool), np.zeros((5, 5), dtype=bool)
    one[2, 2] = other[3, 3] = True
    assert beside(one, other) == 1
    other[3, 3], other[4, 4] = False, True
    assert beside(one, other) == 0


def test_thin_parts() -> None:
    mask = np.zeros((12, 12), dtype=bool)
    mask[0:4, 0:4] = True
    mask[6, 2:9] = True
    mask[8:12, 9:12] = True
    assert thin_pixels(mask, 4) == 7 + 12
    assert thin_pixels(mask, 1) == 0


def test_violations_of_a_board() -> None:
    fab = board("nocturne-gold")
    labels = np.zeros((8, 8), dtype=int)
    ids = [finish.id for finish in fab.finishes]
    labels[2, 2] = labels[3, 3] = ids.index("gold")
    labels[6, 6] = ids.index("legend")
    masks = {finish: labels == i for i, finish in enumerate(ids)}
    found = violations(masks, fab)
    assert set(found) == {
        "gold touches itself at corners", "copper touches itself at corners", "openings touch at corners",
        "mask touches itself at corners",
    }  # fmt: skip
    labels[3, 2] = labels[2, 3] = ids.index("gold")
    labels[5, 5] = ids.index("gold")
    masks = {finish: labels == i for i, finish in enumerate(ids)}
    assert "legend beside openings" in violations(masks, fab)
