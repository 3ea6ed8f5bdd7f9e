"""Made-up art in motion, and animated files of it, written by Pillow."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import partial

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

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


def random_scene(rng: np.random.Generator) -> list[Picture]:
    """Art in motion with nothing chosen by hand: plain, smooth and clouded grounds with strokes and words on them,
    over which discs, rings, boxes, strokes and words move, fast or by fractions of a pixel.
    """
    side, pieces, scale = int(rng.integers(80, 160)), int(rng.integers(3, 5)), 4
    ground = Image.fromarray(_random_ground(rng, side))
    draw = ImageDraw.Draw(ground)
    for _ in range(rng.integers(0, 4)):
        draw.line(_numbers(rng, 0, side, 4), fill=_colour(rng), width=int(rng.integers(1, 5)))
    if rng.random() < 0.6:
        draw.text(_numbers(rng, 0, side - 12, 2), "Moth & Owl 27", fill=_colour(rng))
    moving = [
        (
            str(rng.choice(["disc", "ring", "box", "stroke", "word"])),
            rng.uniform(0, side, 2),
            rng.uniform(-9, 9, 2) * rng.choice([0.1, 1.0]),
            rng.uniform(2, side / 6) * scale,
            _colour(rng),
        )
        for _ in range(rng.integers(1, 5))
    ]
    made = []
    for number in range(pieces):
        large = ground.resize((side * scale, side * scale), Image.Resampling.NEAREST)
        draw = ImageDraw.Draw(large)
        for kind, at, step, radius, colour in moving:
            x, y = (float(part) for part in (at + number * step) * scale)
            around = (x - radius, y - radius, x + radius, y + radius)
            if kind == "disc":
                draw.ellipse(around, fill=colour)
            elif kind == "ring":
                draw.ellipse(around, outline=colour, width=6)
            elif kind == "box":
                draw.rectangle((x - radius, y - radius / 2, x + radius, y + radius / 2), fill=colour)
            elif kind == "stroke":
                draw.line((x - 2 * radius, y - radius, x + 2 * radius, y + radius), fill=colour, width=5)
            else:
                draw.text((x, y), "Run 7", fill=colour, font_size=12 * scale)
        made.append(np.asarray(large.resize((side, side), Image.Resampling.BOX)))
    return made


def _random_ground(rng: np.random.Generator, side: int) -> Picture:
    y, x = (part[..., None] / side for part in np.mgrid[:side, :side])
    one, two, three = rng.integers(0, 256, (3, 3))
    kind = int(rng.integers(0, 4))
    if kind == 0:
        ground = one * (1 - x) + two * x
    elif kind == 1:
        ground = one * (1 - y) * x + two * y * (1 - x) + three * x * y
    elif kind == 2:
        ground = np.broadcast_to(one, (side, side, 3))
    else:
        clouds = rng.normal(0, 40, (3, side // 8 + 1, side // 8 + 1)).astype(np.float32)
        wide = [np.asarray(Image.fromarray(part).resize((side, side), Image.Resampling.BICUBIC)) for part in clouds]
        ground = one * 0.5 + 60 + np.stack(wide, axis=-1)
    return np.clip(ground, 0, 255).astype(np.uint8)


def _numbers(rng: np.random.Generator, low: int, high: int, count: int) -> list[int]:
    return [int(number) for number in rng.integers(low, high, count)]


def _colour(rng: np.random.Generator) -> tuple[int, int, int]:
    red, green, blue = _numbers(rng, 0, 256, 3)
    return red, green, blue
