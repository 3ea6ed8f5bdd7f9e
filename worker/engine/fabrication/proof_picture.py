"""The picture of a board as its files, read back, show it: at most 2,048 pixels long, averaged in linear light."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Float32s, Srgb
from worker.engine.colorimetry import SRGB_TO_LINEAR, srgb_encoded
from worker.engine.fabrication.grid import Grid
from worker.engine.fabrication.layer_drawing import Window
from worker.engine.fabrication.planes import BOARD, Stack

LONGEST_PX = 2048
_ROWS = 256  # that are in float at once


class ProofPicture:
    """Sums of linear light over blocks of the grid, filled window by window."""

    def __init__(self, grid: Grid, stack_srgb: npt.NDArray[np.uint8]) -> None:
        """`stack_srgb` : uint8 (256, 3), encoded sRGB of each stack on the board; off the board it is white."""
        self.block = -(-max(grid.width_px, grid.height_px) // LONGEST_PX)
        shape = (-(-grid.height_px // self.block), -(-grid.width_px // self.block))
        self.sums: Float32s = np.zeros((*shape, 3), np.float32)
        self.counts: Float32s = np.zeros(shape, np.float32)
        on_board = (np.arange(256) & BOARD) != 0
        self.linear = SRGB_TO_LINEAR[np.where(on_board[:, None], stack_srgb, 255)].astype(np.float32)

    def put(self, stack: Stack, window: Window) -> None:
        """Add a window's pixels."""
        for top in range(0, window.height, _ROWS):
            rows = stack[top : top + _ROWS]
            y = (np.arange(len(rows)) + window.top + top) // self.block
            x = (np.arange(window.width) + window.left) // self.block
            self._add(rows, y, x)

    def _add(self, rows: Stack, y: npt.NDArray[np.int64], x: npt.NDArray[np.int64]) -> None:
        first_x, first_y = np.unique(x, return_index=True)[1], np.unique(y, return_index=True)[1]
        light = np.add.reduceat(np.add.reduceat(self.linear[rows], first_x, axis=1), first_y, axis=0)
        place = np.ix_(y[first_y], x[first_x])
        self.sums[place] += light
        sizes_y, sizes_x = np.diff(first_y, append=len(y)), np.diff(first_x, append=len(x))
        self.counts[place] += np.outer(sizes_y, sizes_x)

    def srgb(self, *, mirrored: bool) -> Srgb:
        """uint8 (h, w, 3), encoded sRGB. `mirrored` : the bottom side, as it is seen from below."""
        light = self.sums / np.maximum(self.counts, 1.0)[..., None]
        out = np.rint(srgb_encoded(light) * 255.0).astype(np.uint8)
        return np.ascontiguousarray(out[:, ::-1] if mirrored else out)
