"""Made-up art in motion, and animated files of it, written by Pillow."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import partial

import numpy as np
import numpy.typing as npt
from PIL import Image

from worker.engine.series import FrameFile

Picture = npt.NDArray[np.uint8]


def gradient(side: int = 100) -> Picture:
    """A smooth ground, so that a dither has something to mix everywhere."""
    y, x = np.mgrid[:side, :side] * (200 / side)
    return np.stack([x * 0.6 + 40, y * 0.5 + 60, 200 - x * 0.4], axis=-1).astype(np.uint8)


def disc_on(ground: Picture, x: float, y: float, radius: float) -> Picture:
    """A yellow disc over a ground."""
    picture = ground.copy()
    rows, columns = np.mgrid[: ground.shape[0], : ground.shape[1]]
    picture[(columns - x) ** 2 + (rows - y) ** 2 < radius**2] = (230, 200, 60)
    return picture


def flat_scene(x: int, side: int = 100) -> Picture:
    """Flat art: a bar and a square that moves."""
    picture = np.full((side, side, 3), (30, 60, 40), np.uint8)
    picture[side // 3 : side // 2] = (220, 220, 210)
    picture[side // 4 : side // 2 + 10, x : x + side // 5] = (200, 160, 60)
    return picture


def files_of(pictures: Sequence[Picture]) -> list[FrameFile]:
    """Each picture as a PNG file."""
    made = []
    for number, picture in enumerate(pictures):
        out = io.BytesIO()
        Image.fromarray(picture).save(out, "PNG")
        made.append(FrameFile(name=f"frame-{number + 1}.png", open=partial(io.BytesIO, out.getvalue())))
    return made


def animated(pictures: Sequence[Picture], form: str, milliseconds: Sequence[int] | int = 120) -> bytes:
    """An animated file: GIF, PNG, WEBP (lossless) or TIFF."""
    out = io.BytesIO()
    first, *others = [Image.fromarray(picture) for picture in pictures]
    more = {} if form == "TIFF" else {"duration": milliseconds, "loop": 0}
    if form == "WEBP":
        more |= {"lossless": True}
    first.save(out, form, save_all=True, append_images=others, **more)
    return out.getvalue()
