"""Transparent ground added round a picture on the grid, for a board that is larger than its artwork."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.engine.arrays import Srgb
from worker.engine.artwork.grid_size import MAX_GRID_PIXELS
from worker.engine.artwork.picture import GridPicture
from worker.errors import SettingsError


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """Pixels to add at each side."""

    left: int = 0
    right: int = 0
    top: int = 0
    bottom: int = 0

    @property
    def none(self) -> bool:
        """Whether there is nothing to add."""
        return not (self.left or self.right or self.top or self.bottom)


def with_margins(picture: GridPicture, margins: Margins) -> GridPicture:
    """The picture with transparent pixels added. SettingsError where the grid would get too large."""
    if margins.none:
        return picture
    height = picture.height_px + margins.top + margins.bottom
    width = picture.width_px + margins.left + margins.right
    if height * width > MAX_GRID_PIXELS:
        raise SettingsError(
            f"With the board's offset the grid has {width:,} x {height:,} px; "
            f"the limit is {MAX_GRID_PIXELS // 1_000_000} million.",
            mend="Use a coarser pitch, a smaller board or a smaller offset.",
        )
    inner = (
        slice(margins.top, margins.top + picture.height_px),
        slice(margins.left, margins.left + picture.width_px),
    )
    srgb: Srgb = np.zeros((height, width, 3), dtype=np.uint8)
    srgb[inner] = picture.srgb
    alpha = np.zeros((height, width), dtype=np.uint8)
    alpha[inner] = 255 if picture.alpha is None else picture.alpha
    srgb.flags.writeable = alpha.flags.writeable = False
    return replace(picture, srgb=srgb, alpha=alpha)
