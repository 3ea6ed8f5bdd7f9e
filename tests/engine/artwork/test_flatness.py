"""Flat art and photographs are told apart, on scikit-image's bundled pictures and on drawn art."""

from __future__ import annotations

import io

import numpy as np
import pytest
import skimage.data
from PIL import Image, ImageDraw

from worker.engine.arrays import Srgb
from worker.engine.artwork.flatness import is_flat
from worker.errors import ArrayError

PHOTOGRAPHS = (
    "astronaut coffee chelsea rocket retina immunohistochemistry camera moon coins page text clock brick grass gravel "
    "hubble_deep_field cell microaneurysms colorwheel"
)
FLAT = "horse binary_blobs checkerboard logo"


def picture(name: str) -> Srgb:
    pixels = getattr(skimage.data, name)()
    if pixels.dtype == bool:
        pixels = pixels.astype(np.uint8) * 255
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[..., None], 3, axis=2)
    return np.ascontiguousarray(pixels[..., :3])


def discs(side: int) -> Image.Image:
    """Anti-aliased discs in six colours, with outlines."""
    colours = ["#141e3c", "#e6c850", "#c83c32", "#f0f0e6", "#3c785a", "#0a0a0a"]
    drawn = Image.new("RGB", (side * 4, side * 4), colours[0])
    draw = ImageDraw.Draw(drawn)
    random = np.random.default_rng(3)
    for _ in range(25):
        x, y = (int(v) for v in random.integers(0, side * 4, 2))
        reach = int(random.integers(side // 10, side * 4 // 5))
        colour = colours[int(random.integers(len(colours)))]
        draw.ellipse((x - reach, y - reach, x + reach, y + reach), fill=colour, outline=colours[-1], width=side // 25)
    return drawn.resize((side, side), Image.Resampling.BOX)


@pytest.mark.parametrize("name", PHOTOGRAPHS.split())
def test_photographs_and_textures_are_not_flat(name: str) -> None:
    assert not is_flat(picture(name))


@pytest.mark.parametrize("name", FLAT.split())
def test_drawn_pictures_are_flat(name: str) -> None:
    assert is_flat(picture(name))


@pytest.mark.parametrize("side", [64, 100, 200, 400, 1200])
def test_anti_aliased_art_is_flat(side: int) -> None:
    assert is_flat(np.asarray(discs(side)))


@pytest.mark.parametrize("side", [400, 800])
def test_flat_art_stays_flat_as_a_jpeg(side: int) -> None:
    stream = io.BytesIO()
    discs(side).save(stream, "JPEG", quality=90)
    assert is_flat(np.asarray(Image.open(stream)))


@pytest.mark.parametrize("ends", [((20, 60, 200), (230, 120, 90)), ((5, 6, 12), (20, 24, 40)), ((0, 0, 0), (255,) * 3)])
def test_gradients_are_not_flat(ends: tuple[tuple[int, ...], tuple[int, ...]]) -> None:
    along = np.linspace(0.0, 1.0, 800)[None, :, None]
    ramp = (1 - along) * np.array(ends[0]) + along * np.array(ends[1])
    assert not is_flat(np.ascontiguousarray(np.broadcast_to(ramp, (300, 800, 3)).round().astype(np.uint8)))


def test_a_photograph_on_a_plain_ground_is_not_flat() -> None:
    pixels = np.full((512, 512, 3), 255, np.uint8)
    pixels[150:360, 150:360] = skimage.data.coffee()[100:310, 200:410]
    assert not is_flat(pixels)


def test_one_colour_is_flat() -> None:
    assert is_flat(np.full((1, 1, 3), 7, np.uint8)) and is_flat(np.full((300, 200, 3), 7, np.uint8))


def test_other_arrays_are_refused() -> None:
    with pytest.raises(ArrayError):
        is_flat(np.zeros((4, 4), np.uint8))
