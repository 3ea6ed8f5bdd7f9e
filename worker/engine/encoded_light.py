"""Linear light to encoded sRGB, code by code: what `colorimetry` says, for whole pictures."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s
from worker.engine.colorimetry import LINEAR_TO_SRGB, srgb_decoded
from worker.engine.threads import row_strips, run_all

_STRIP_PX = 64
_BETWEEN = np.concatenate([[-np.inf], srgb_decoded((np.arange(255) + 0.5) / 255.0), [np.inf]])
"""float64 (257,): linear light from which on a code is nearer than the one before it."""


def encoded(light: Float32s, *, threads: int = 1) -> npt.NDArray[np.uint8]:
    """Encoded sRGB of linear light, uint8 of the same shape, (H, W, n), clipped and rounded."""
    out = np.empty(light.shape, dtype=np.uint8)
    flat, to = light.reshape(light.shape[0], -1), out.reshape(light.shape[0], -1)
    run_all(lambda a, b: _encode(flat, LINEAR_TO_SRGB, _BETWEEN, a, b, to), row_strips(len(flat), _STRIP_PX), threads)
    return out


@njit(cache=True, nogil=True)
def _encode(
    light: Float32s,
    guess: npt.NDArray[np.uint8],
    between: npt.NDArray[np.float64],
    first: int,
    last: int,
    out: npt.NDArray[np.uint8],
) -> None:  # pragma: no cover
    steps = np.float32(guess.size - 1)
    for y in range(first, last):
        for x in range(light.shape[1]):
            value = min(max(light[y, x], np.float32(0)), np.float32(1))
            code = np.int64(guess[np.int64(value * steps)])
            while value >= between[code + 1]:
                code += 1
            while value < between[code]:
                code -= 1
            out[y, x] = code
