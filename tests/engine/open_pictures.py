"""Pictures of scikit-image's bundled data, as real input: photographs whose origins the library documents."""

from __future__ import annotations

import functools
import io

import numpy as np
import numpy.typing as npt
import skimage.data
from PIL import Image

PHOTOGRAPHS = ("astronaut", "coffee", "chelsea", "rocket")


@functools.lru_cache(maxsize=8)
def photograph(name: str) -> npt.NDArray[np.uint8]:
    """uint8 (H, W, 3), read-only."""
    srgb = np.ascontiguousarray(getattr(skimage.data, name)()[..., :3])
    srgb.setflags(write=False)
    return srgb


def cut(name: str, height: int, width: int, *, top: int = 0, left: int = 0) -> npt.NDArray[np.uint8]:
    """A part of a photograph, C-contiguous."""
    return np.ascontiguousarray(photograph(name)[top : top + height, left : left + width])


def enlarged(srgb: npt.NDArray[np.uint8], factor: int) -> npt.NDArray[np.uint8]:
    size = (srgb.shape[1] * factor, srgb.shape[0] * factor)
    return np.asarray(Image.fromarray(srgb).resize(size, Image.Resampling.BICUBIC))


def png_of(pixels: npt.NDArray[np.uint8]) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG", compress_level=1)
    return stream.getvalue()
