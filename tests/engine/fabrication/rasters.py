"""Random stacks: noise, cells, bars and islands in each other; what a picture of layers may look like at its worst.

And a partition as a picture again.
"""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.fabrication.bit_morphology import unpack
from worker.engine.fabrication.partition import Partition
from worker.engine.fabrication.planes import BOARD, COPPER, HATCHED, LEGEND, OPENING, LayerPlanes

STACKS = np.array(
    [
        0,
        BOARD,
        BOARD | COPPER,
        BOARD | COPPER | OPENING,
        BOARD | LEGEND,
        BOARD | OPENING,
        BOARD | COPPER | LEGEND | HATCHED,
    ],
    np.uint8,
)


def random_stack(seed: int, *, largest: int = 30) -> np.ndarray:
    """uint8 (H, W), of one of four kinds by the seed."""
    rng = np.random.default_rng(seed)
    height, width = (int(side) for side in rng.integers(1, largest, 2))
    kinds = int(rng.integers(2, len(STACKS) + 1))
    picked = STACKS[rng.permutation(len(STACKS))[:kinds]]
    kind = seed % 4
    if kind == 0:
        return picked[rng.integers(0, kinds, (height, width))]
    if kind == 1:
        cells = rng.integers(0, kinds, (height, width))
        return np.ascontiguousarray(picked[np.kron(cells, np.ones((3, 3), np.int64))][:height, :width])
    labels = np.zeros((height, width), np.int64)
    for _ in range(int(rng.integers(1, 14))):
        y, x, tall, wide = (int(v) for v in rng.integers(0, largest, 4))
        if kind == 2:
            labels[y % height : y % height + tall // 2 + 1, x % width : x % width + wide // 2 + 1] = rng.integers(
                0, kinds
            )
        else:  # rings round each other: ellipses, the later the smaller
            rows, columns = np.ogrid[:height, :width]
            inside = ((rows - y % height) / (tall / 2 + 1)) ** 2 + ((columns - x % width) / (wide / 2 + 1)) ** 2 <= 1.0
            labels[inside] = rng.integers(0, kinds)
    return picked[labels]


def planes_from(stack: np.ndarray, pitch_um: float = 10.0) -> LayerPlanes:
    """The stack as layer planes."""
    return LayerPlanes(stack=np.ascontiguousarray(stack), pitch_um=pitch_um)


SEEDS = st.integers(min_value=0, max_value=2**32 - 1)


def labels_of(board: Partition) -> Labels:
    """uint8 (H, W): each pixel's finish, OUTSIDE off the board."""
    out = np.full((board.frame.height_px, board.frame.width_px), OUTSIDE, dtype=np.uint8)
    for i, plane in enumerate(board.planes):
        out[unpack(plane, board.frame)] = i
    return out
