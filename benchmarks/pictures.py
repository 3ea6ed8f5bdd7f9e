"""The two 24 MP pictures that the benchmarks run on: photo-like and flat, made from a seed."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

WIDTH, HEIGHT = 6000, 4000


def photo_like(width: int = WIDTH, height: int = HEIGHT) -> npt.NDArray[np.uint8]:
    """scikit-image's astronaut (public domain), enlarged, with sensor-like noise: uint8 (H, W, 3) encoded sRGB."""
    from skimage.data import astronaut

    picture = np.asarray(Image.fromarray(astronaut()).resize((width, height), Image.Resampling.BICUBIC))
    noise = np.random.default_rng(1).normal(0.0, 3.0, picture.shape).astype(np.float32)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


def flat_art(width: int = WIDTH, height: int = HEIGHT, *, seed: int = 2) -> npt.NDArray[np.uint8]:
    """A poster of discs, rings and bars in eight colours with anti-aliased edges: uint8 (H, W, 3) encoded sRGB."""
    rng = np.random.default_rng(seed)
    colours = [tuple(int(v) for v in rng.integers(0, 256, 3)) for _ in range(8)]
    scale = 2
    image = Image.new("RGB", (width * scale // 4, height * scale // 4), colours[0])
    draw = ImageDraw.Draw(image)
    for i in range(160):
        x, y = int(rng.integers(0, image.width)), int(rng.integers(0, image.height))
        radius = int(rng.integers(10, 300))
        colour = colours[int(rng.integers(0, 8))]
        if i % 3 == 0:
            draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=colour)
        elif i % 3 == 1:
            draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=colour, width=8 + i // 10)
        else:
            draw.rectangle((x - radius, y - radius // 6, x + radius, y + radius // 6), fill=colour)
    return np.asarray(image.resize((width, height), Image.Resampling.BICUBIC))


def encoded(picture: npt.NDArray[np.uint8], kind: str) -> bytes:
    """The picture as a PNG (level 1) or JPEG (quality 92) file."""
    out = io.BytesIO()
    if kind == "PNG":
        Image.fromarray(picture).save(out, "PNG", compress_level=1)
    else:
        Image.fromarray(picture).save(out, "JPEG", quality=92)
    return out.getvalue()
