"""Pictures that separations are judged on: those to tune on, and those that nobody may tune on.

The split was fixed before anything was tuned, and stays: a figure on a held-out picture is worth something only as long
as no choice was made by it. Photographs are scikit-image's, whose origins it documents; the rest is drawn here from a
seed, or is a sample of this project.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import skimage.data
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter

from benchmarks.pictures import flat_art
from worker.settings import PROJECT

Srgb = npt.NDArray[np.uint8]
Kind = Literal["photo", "flat"]
Split = Literal["tuning", "held out"]

ARTWORKS = PROJECT / "samples" / "artworks"
SIDE_PX = 800


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A picture. split : whether it may be tuned on. draw : encoded sRGB, uint8 (H, W, 3)."""

    name: str
    kind: Kind
    split: Split
    draw: Callable[[], Srgb]


def _library(name: str) -> Srgb:
    picture = getattr(skimage.data, name)()
    picture = np.asarray(picture[0] if isinstance(picture, tuple) else picture)
    if picture.dtype == np.bool_:
        picture = picture.astype(np.uint8) * np.uint8(255)
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, axis=2)
    if picture.shape[2] == 4:
        shown = Image.alpha_composite(Image.new("RGBA", picture.shape[1::-1], "white"), Image.fromarray(picture))
        return np.asarray(shown.convert("RGB"))
    return np.ascontiguousarray(picture[..., :3], dtype=np.uint8)


def _sample(name: str) -> Srgb:
    with Image.open(ARTWORKS / name) as image:
        shown = image.convert("RGBA")
    return np.asarray(Image.alpha_composite(Image.new("RGBA", shown.size, "white"), shown).convert("RGB"))


def scene(seed: int) -> Srgb:
    """A landscape of seeded noise: sky, hills one behind the other in haze, a lit ball, sensor-like noise."""
    rng = np.random.default_rng(seed)
    side = SIDE_PX
    y, x = np.mgrid[:side, :side] / side
    low, high, light, ground = rng.uniform(0.0, 1.0, (4, 3))
    clouds = gaussian_filter(rng.normal(size=(side, side)), 40.0)
    clouds = (clouds - clouds.min()) / np.ptp(clouds)
    picture = low * (1.0 - y[..., None]) + high * y[..., None] + 0.35 * clouds[..., None] * (light - 0.5)
    middle, radius = rng.uniform(0.2, 0.8, 2), rng.uniform(0.08, 0.2)
    away = np.hypot(y - 0.4 * middle[0], x - middle[1]) / radius
    shade = np.clip(1.0 - 0.8 * np.hypot(y - 0.4 * middle[0] + 0.04, x - middle[1] + 0.04) / radius, 0.05, 1.0)
    ball = np.clip((1.0 - away) * radius * side, 0.0, 1.0)[..., None]
    picture = picture * (1.0 - ball) + ball * shade[..., None] * light
    for depth in range(4):
        ridge = 0.45 + 0.13 * depth + gaussian_filter(rng.normal(size=side), 30.0 / (1 + depth), mode="wrap") * 0.25
        inside = np.clip((y - ridge[None]) * side, 0.0, 1.0)[..., None]
        texture = gaussian_filter(rng.normal(size=(side, side)), 1.0 + depth)
        tone = (ground * (0.3 + 0.2 * depth) + high * (0.7 - 0.2 * depth)) * (1.0 + 0.25 * texture[..., None])
        picture = picture * (1.0 - inside) + inside * tone
    return np.asarray(np.clip(picture * 255.0 + rng.normal(0.0, 3.0, picture.shape), 0, 255), dtype=np.uint8)


def lettering(seed: int) -> Srgb:
    """Lines of text in Pillow's own font, and rings, in three inks on one ground."""
    rng = np.random.default_rng(seed)
    from PIL import ImageFont

    image = Image.new("RGB", (2 * SIDE_PX, 2 * SIDE_PX), tuple(int(v) for v in rng.integers(0, 256, 3)))
    draw = ImageDraw.Draw(image)
    inks = [tuple(int(v) for v in rng.integers(0, 256, 3)) for _ in range(3)]
    for line in range(14):
        size = int(rng.integers(30, 160))
        place = (int(rng.integers(0, SIDE_PX)), int(line * 2 * SIDE_PX / 14))
        draw.text(place, "Maskwright 1862 egg", fill=inks[line % 3], font=ImageFont.load_default(size=size))
    for _ in range(8):
        x, y = (int(v) for v in rng.integers(0, 2 * SIDE_PX, 2))
        radius, width = int(rng.integers(40, 300)), int(rng.integers(4, 20))
        draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=inks[_ % 3], width=width)
    return np.asarray(image.resize((SIDE_PX, SIDE_PX), Image.Resampling.BICUBIC))


def _library_picture(name: str, kind: Kind, split: Split) -> Judged:
    return Judged(name=name, kind=kind, split=split, draw=lambda: _library(name))


def _sample_picture(name: str, kind: Kind, split: Split) -> Judged:
    return Judged(name=name, kind=kind, split=split, draw=lambda: _sample(name))


def _poster(seed: int, split: Split) -> Judged:
    return Judged(name=f"poster {seed}", kind="flat", split=split, draw=lambda: flat_art(SIDE_PX, SIDE_PX, seed=seed))


def _scene(seed: int, split: Split) -> Judged:
    return Judged(name=f"scene {seed}", kind="photo", split=split, draw=lambda: scene(seed))


def _lettering(seed: int, split: Split) -> Judged:
    return Judged(name=f"lettering {seed}", kind="flat", split=split, draw=lambda: lettering(seed))


PICTURES = (
    *(_library_picture(name, "photo", "tuning") for name in ("astronaut", "coffee", "chelsea", "rocket")),
    *(_sample_picture(name, "photo", "tuning") for name in ("comet-over-ridge.jpg", "gibbous-moon.webp")),
    _scene(1, "tuning"),
    *(
        _library_picture(name, "photo", "held out")
        for name in (
            "stereo_motorcycle",
            "hubble_deep_field",
            "retina",
            "immunohistochemistry",
            "camera",
            "grass",
        )
    ),
    *(_scene(seed, "held out") for seed in (11, 12)),
    *(_sample_picture(name, "flat", "tuning") for name in ("quillmere-badge.png", "owl.png", "star-chart.png")),
    _poster(2, "tuning"),
    _lettering(3, "tuning"),
    *(_sample_picture(name, "flat", "held out") for name in ("rosette.tif", "small-rover.bmp")),
    *(_library_picture(name, "flat", "held out") for name in ("logo", "horse")),
    *(_poster(seed, "held out") for seed in (21, 22)),
    _lettering(23, "held out"),
)
"""All pictures. Never move one from "held out" to "tuning", nor choose anything by a figure of it."""
