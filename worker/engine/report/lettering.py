"""Captions for pictures, in the font that comes with Pillow."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from worker.engine.arrays import Alpha


@lru_cache(maxsize=64)
def lettering(text: str, size_px: int) -> Alpha:
    """One line of text as cover, uint8 (H, W), 0 to 255, read-only; its height depends on `size_px` alone."""
    image = Image.new("L", (length_px(text, size_px), line_height_px(size_px)))
    ImageDraw.Draw(image).text((1, 0), text, fill=255, font=_font(size_px))
    cover = np.array(image)
    cover.setflags(write=False)
    return cover


def line_height_px(size_px: int) -> int:
    """Height of a line of text of this size, with room for what hangs below."""
    return size_px + size_px // 3


def length_px(text: str, size_px: int) -> int:
    """Width of a line of text of this size."""
    return max(1, round(_font(size_px).getlength(text)) + 2)


@lru_cache(maxsize=16)
def _font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size_px)
