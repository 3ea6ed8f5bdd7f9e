"""Places marked in a picture: a frame around each, with its number. At most 2,048 pixels long."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from worker.engine.arrays import Srgb

LONGEST_PX = 2048
MARK = (0, 0, 0)
LEAST_MARK_PX = 24


def pixels_for_each(height_px: int, width_px: int) -> int:
    """How many pixels of a board's rows and columns stand for one of such a picture's."""
    return -(-max(height_px, width_px) // LONGEST_PX)


def marked(picture: Srgb, frames: Iterable[tuple[float, float, float, float]]) -> Srgb:
    """A picture, uint8 (h, w, 3), with frames numbered from 1.

    frames : x and y of the middle, from the upper left corner, half width and half height, in pixels.
    """
    from PIL import Image, ImageDraw

    image = Image.fromarray(picture)
    draw = ImageDraw.Draw(image)
    for number, (x, y, half_x, half_y) in enumerate(frames, 1):
        draw.rectangle((x - half_x, y - half_y, x + half_x, y + half_y), outline=MARK, width=2)
        at = (min(max(x - half_x, 0), image.width - 30), max(y - half_y - 22, 0))
        draw.text(at, str(number), fill=MARK, font_size=20)
    return np.asarray(image)
