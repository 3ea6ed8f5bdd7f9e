"""The picture of a board as its files, read back, show it: at most 2,048 pixels long, averaged in linear light."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Srgb
from worker.engine.colorimetry import SRGB_TO_LINEAR
from worker.engine.encoded_light import encoded
from worker.engine.fabrication.grid import Grid
from worker.engine.fabrication.layer_drawing import Window
from worker.engine.fabrication.planes import BOARD, Stack

LONGEST_PX = 2048


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
        _add(stack, window.top, window.left, self.block, self.linear, self.sums, self.counts)

    def srgb(self, *, mirrored: bool) -> Srgb:
        """uint8 (h, w, 3), encoded sRGB. `mirrored` : the bottom side, as it is seen from below."""
        out = encoded(np.divide(self.sums, np.maximum(self.counts, np.float32(1))[..., None], dtype=np.float32))
        return np.ascontiguousarray(out[:, ::-1] if mirrored else out)


@njit(cache=True, nogil=True, error_model="numpy")
def _add(stack: Stack, top: int, left: int, block: int, linear: Float32s, sums: Float32s, counts: Float32s) -> None:
    for r in range(stack.shape[0]):
        y = (top + r) // block
        for c in range(stack.shape[1]):
            x = (left + c) // block
            for channel in range(3):
                sums[y, x, channel] += linear[stack[r, c], channel]
            counts[y, x] += 1.0
