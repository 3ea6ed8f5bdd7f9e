"""Transparent artwork laid on the finish that shows through it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Alpha, Srgb, read_only
from worker.engine.colorimetry import LINEAR_TO_SRGB, SRGB_TO_LINEAR

OPAQUE_FROM = 128
"""A pixel of less alpha than this is transparent: it belongs to the background."""


@njit(cache=True, nogil=True, error_model="numpy")
def _lay(srgb, alpha, ground, to_linear, encoded, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    top = np.float32(encoded.shape[0] - 1)
    for y in range(alpha.shape[0]):
        for x in range(alpha.shape[1]):
            cover = alpha[y, x]
            if cover == 255:
                out[y, x] = srgb[y, x]
            elif cover < OPAQUE_FROM:
                out[y, x] = ground
            else:
                share = np.float32(cover) * np.float32(1 / 255)
                for i in range(3):
                    own, under = to_linear[srgb[y, x, i]], to_linear[ground[i]]
                    out[y, x, i] = encoded[np.int64((under + share * (own - under)) * top + np.float32(0.5))]


def lay_on_ground(srgb: Srgb, alpha: Alpha | None, ground: Srgb) -> tuple[Srgb, npt.NDArray[np.bool_] | None]:
    """The artwork over a ground colour, mixed in linear light, and where it is transparent.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB. alpha : uint8 (H, W) or None. ground : uint8 (3,), encoded sRGB.

    Returns
    -------
    srgb : uint8 (H, W, 3), opaque; the ground's colour where transparent.
    clear : bool (H, W), or None where no pixel is transparent.
    """
    if alpha is None:
        return srgb, None
    out = np.empty_like(srgb)
    _lay(read_only(srgb), read_only(alpha), ground, SRGB_TO_LINEAR, LINEAR_TO_SRGB, out)
    clear = alpha < OPAQUE_FROM
    return out, clear if clear.any() else None
