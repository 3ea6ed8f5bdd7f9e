"""What is seen of layers from afar: the means of blocks of pixels, in linear light, of an artwork and of its board."""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.arrays import Float32s, Srgb, read_only
from worker.engine.colorimetry import SRGB_TO_LINEAR, linear_rgb_to_xyz
from worker.engine.fabrication.planes import BOARD, COPPER, HATCHED, LEGEND, OPENING, Stack
from worker.engine.fabrication.shifts import NOMINAL, Shift
from worker.engine.threads import row_strips, run_all

_STRIP = 16


@njit(cache=True, nogil=True, error_model="numpy")
def _sum_art(stack, srgb, to_linear, block, step, first, last, out, weights):  # type: ignore[no-untyped-def]  # pragma: no cover
    height, width = stack.shape
    for i in range(first, last):
        for k in range(out.shape[2]):
            red = green = blue = np.float32(0.0)
            count = on_board = 0
            for y in range(i * block + step // 2, min((i + 1) * block, height), step):
                for x in range(k * block + step // 2, min((k + 1) * block, width), step):
                    red += to_linear[srgb[y, x, 0]]
                    green += to_linear[srgb[y, x, 1]]
                    blue += to_linear[srgb[y, x, 2]]
                    count += 1
                    on_board += 1 if stack[y, x] & BOARD else 0
            if count > 0:
                out[0, i, k], out[1, i, k], out[2, i, k] = red / count, green / count, blue / count
            weights[i, k] = on_board


def art_blocks(stack: Stack, srgb: Srgb, block: int, step: int, *, threads: int = 1) -> tuple[Float32s, Float32s]:
    """The artwork's blocks and how many samples of each are on the board.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB.
    block, step : pixels of a block's side, and from one sample in it to the next.

    Returns
    -------
    float32 (3, h, w), CIE XYZ of Y = 1 for white, and float32 (h, w).
    """
    shape = (-(-stack.shape[0] // block), -(-stack.shape[1] // block))
    out, weights = np.zeros((3, *shape), dtype=np.float32), np.zeros(shape, dtype=np.float32)
    stack, srgb = read_only(stack), read_only(srgb)
    run_all(
        lambda a, b: _sum_art(stack, srgb, SRGB_TO_LINEAR, block, step, a, b, out, weights),
        row_strips(shape[0], _STRIP),
        threads,
    )
    xyz = linear_rgb_to_xyz(np.moveaxis(out, 0, -1))
    return np.ascontiguousarray(np.moveaxis(xyz, -1, 0), dtype=np.float32), weights


@njit(cache=True, nogil=True, error_model="numpy")
def _sum_board(stack, xyz, art, block, step, mask_x, mask_y, legend_x, legend_y, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    height, width = stack.shape
    for i in range(first, last):
        for k in range(out.shape[2]):
            one = two = three = np.float32(0.0)
            count = 0
            for y in range(i * block + step // 2, min((i + 1) * block, height), step):
                mask_row = stack[min(max(y - mask_y, 0), height - 1)]
                legend_row = stack[min(max(y - legend_y, 0), height - 1)]
                for x in range(k * block + step // 2, min((k + 1) * block, width), step):
                    bits = stack[y, x] & (BOARD | COPPER | HATCHED)
                    count += 1
                    if bits & BOARD:
                        bits |= mask_row[min(max(x - mask_x, 0), width - 1)] & OPENING
                        bits |= legend_row[min(max(x - legend_x, 0), width - 1)] & LEGEND
                        one += xyz[bits, 0]
                        two += xyz[bits, 1]
                        three += xyz[bits, 2]
                    else:
                        one += art[0, i, k]
                        two += art[1, i, k]
                        three += art[2, i, k]
            if count > 0:
                out[0, i, k], out[1, i, k], out[2, i, k] = one / count, two / count, three / count
            else:
                out[0, i, k], out[1, i, k], out[2, i, k] = art[0, i, k], art[1, i, k], art[2, i, k]


def board_blocks(
    stack: Stack,
    xyz: Float32s,
    art: Float32s,
    block: int,
    step: int,
    *,
    shift: Shift = NOMINAL,
    threads: int = 1,
) -> Float32s:
    """The blocks that a board shows, float32 (3, h, w), CIE XYZ; where there is no board, the artwork's.

    Parameters
    ----------
    xyz : float32 (256, 3), CIE XYZ of each stack of layers.
    art, block, step : of `art_blocks`.
    """
    out = np.empty_like(art)
    mask, legend = shift.solder_mask_px, shift.legend_px
    run_all(
        lambda a, b: _sum_board(stack, xyz, art, block, step, *mask, *legend, a, b, out),
        row_strips(out.shape[1], _STRIP),
        threads,
    )
    return out
