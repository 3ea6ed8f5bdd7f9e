"""The named peer: Pillow doing the same job as far as it can, by its own nearest colour in sRGB."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from worker.engine.palette.finish_colours import FinishColours


def palette_image(colours: FinishColours) -> Image.Image:
    """A palette of the finishes' colours, filled up with the last."""
    rows = list(colours.srgb) + [colours.srgb[-1]] * (256 - len(colours))
    image = Image.new("P", (1, 1))
    image.putpalette(np.concatenate(rows).tolist())
    return image


def quantised(picture: Image.Image, palette: Image.Image, *, dither: bool) -> Image.Image:
    """Pillow's `quantize` with this palette, without dither or with Floyd and Steinberg's."""
    kind = Image.Dither.FLOYDSTEINBERG if dither else Image.Dither.NONE
    return picture.quantize(palette=palette, dither=kind)


def write_masks(labels: npt.NDArray[np.uint8], count: int, folder: Path) -> None:
    """One 1-bit PNG for each finish, deflate level 1."""
    for i in range(count):
        Image.fromarray(labels == i).save(folder / f"peer-{i}.png", compress_level=1)


def file_to_masks(path: Path, palette: Image.Image, count: int, folder: Path) -> None:
    """Decode, quantise, write masks."""
    with Image.open(path) as image:
        labels = np.asarray(quantised(image.convert("RGB"), palette, dither=False))
    write_masks(np.minimum(labels, count - 1), count, folder)


def decode(data: bytes) -> Image.Image:
    """The picture, decoded."""
    with Image.open(io.BytesIO(data)) as image:
        return image.convert("RGB")
