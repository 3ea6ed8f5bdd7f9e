"""A picture averaged over blocks, in linear light: what is left of it from afar."""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.arrays import Float32s, read_only
from worker.engine.colorimetry import SRGB_TO_LINEAR
from worker.engine.painted import Painted, PixelColours
from worker.engine.threads import row_strips, run_all

_STRIP = 16


def mean_blocks(srgb: PixelColours, block_px: int, *, threads: int = 1) -> Float32s:
    """The mean of each block of a picture, encoded sRGB of (H, W, 3).

    Returns
    -------
    float32 (ceil(H / block_px), ceil(W / block_px), 3), linear sRGB. Blocks at the edge may be narrower.
    """
    rows, columns = -(-srgb.shape[0] // block_px), -(-srgb.shape[1] // block_px)
    out = np.empty((rows, columns, 3), dtype=np.float32)
    if isinstance(srgb, Painted):
        source, linear = read_only(srgb.labels), SRGB_TO_LINEAR[srgb.colours]
    else:
        source, linear = read_only(srgb), SRGB_TO_LINEAR
    run_all(lambda a, b: _mean_rows(source, linear, block_px, out, a, b), row_strips(rows, _STRIP), threads)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _mean_rows(srgb, to_linear, block, out, first, last):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """srgb : uint8 (H, W, 3), and `to_linear` (256,); or labels, uint8 (H, W), and `to_linear` (256, 3)."""
    height, width = srgb.shape[:2]
    for i in range(first, last):
        top, bottom = i * block, min((i + 1) * block, height)
        for k in range(out.shape[1]):
            left, right = k * block, min((k + 1) * block, width)
            red = green = blue = np.float32(0.0)
            for y in range(top, bottom):
                for x in range(left, right):
                    if srgb.ndim == 2:
                        red += to_linear[srgb[y, x], 0]
                        green += to_linear[srgb[y, x], 1]
                        blue += to_linear[srgb[y, x], 2]
                        continue
                    red += to_linear[srgb[y, x, 0]]
                    green += to_linear[srgb[y, x, 1]]
                    blue += to_linear[srgb[y, x, 2]]
            share = np.float32(1.0) / np.float32((bottom - top) * (right - left))
            out[i, k, 0], out[i, k, 1], out[i, k, 2] = red * share, green * share, blue * share
