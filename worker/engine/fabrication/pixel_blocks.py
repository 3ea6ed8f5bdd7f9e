"""Square blocks of pixels, one for so many."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def any_in_blocks(pixels: npt.NDArray[np.bool_], block_px: int) -> npt.NDArray[np.bool_]:
    """bool (rows, columns): a pixel for each block of bool (H, W), true where any of it is."""
    if block_px == 1:
        return pixels
    rows = np.logical_or.reduceat(pixels, np.arange(0, pixels.shape[0], block_px), axis=0)
    return np.asarray(np.logical_or.reduceat(rows, np.arange(0, pixels.shape[1], block_px), axis=1))
