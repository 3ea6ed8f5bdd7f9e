"""The stack as its contours draw it, at the centres of pixels: what limits and score are measured on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.contours import Bytes, Contours, Ints
from worker.engine.fabrication.planes import Stack
from worker.engine.threads import run_all, shared_strips


def stack_as_written(contours: Contours, *, threads: int = 1) -> Stack:
    """uint8 (H, W): the bits of TRACED at each pixel's centre; 0 outside the board.

    Every arc changes the label by left XOR right where a row crosses it; summed along the row, that gives the label.
    With a tolerance below 0.5 px it equals the stack that was traced.
    """
    grid = contours.grid
    stack = np.zeros((grid.height_px, grid.width_px), np.uint8)
    changes = contours.sides[:, 0] ^ contours.sides[:, 1]
    calls = [
        (contours.points, contours.starts, changes, *strip, stack) for strip in shared_strips(grid.height_px, threads)
    ]
    run_all(_draw, calls, threads)
    return stack


@njit(cache=True, nogil=True, error_model="numpy")
def _draw(points: Ints, starts: npt.NDArray[np.int64], changes: Bytes, first: int, past: int, stack: Stack) -> None:
    width = stack.shape[1]
    for arc in range(len(changes)):
        for i in range(starts[arc], starts[arc + 1] - 1):
            x, y, to_x, to_y = points[i, 0], points[i, 1], points[i + 1, 0], points[i + 1, 1]
            if y > to_y:
                x, y, to_x, to_y = to_x, to_y, x, y
            for r in range(max(y, first), min(to_y, past)):
                # A centre on the line itself belongs to its right, for every arc alike: whole numbers, no rounding.
                across = (2 * (r - y) + 1) * (to_x - x)
                c = x - (to_y - y - across) // (2 * (to_y - y))
                if c < width:
                    stack[r, c] ^= changes[arc]
    for r in range(first, past):
        for c in range(1, width):
            stack[r, c] ^= stack[r, c - 1]
