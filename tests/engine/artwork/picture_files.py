"""Picture files for the tests, made by Pillow and OpenCV."""

from __future__ import annotations

import io
import struct
import zlib
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from worker.engine.artwork.picture import WantedSize

FORMATS = ("PNG", "JPEG", "TIFF", "WebP", "BMP", "GIF")
ANY_SIZE = WantedSize(width_mm=None, height_mm=None, pitch_um=20.0)


def saved(picture: Image.Image, form: str, **options: Any) -> bytes:
    """The bytes of a file; WebP without loss."""
    if form == "WebP":
        options.setdefault("lossless", True)
        options.setdefault("exact", True)
    stream = io.BytesIO()
    picture.save(stream, form, **options)
    return stream.getvalue()


def noise(height: int, width: int, *, channels: int = 3, seed: int = 0) -> npt.NDArray[np.uint8]:
    shape = (height, width) if channels == 1 else (height, width, channels)
    return np.random.default_rng(seed).integers(0, 256, shape, dtype=np.uint8)


def smooth(height: int, width: int, *, seed: int = 0) -> npt.NDArray[np.uint8]:
    """A picture without the edges that JPEG and resampling dispute."""
    small = noise(max(2, height // 16), max(2, width // 16), seed=seed)
    return np.asarray(Image.fromarray(small).resize((width, height), Image.Resampling.BICUBIC))


def png_by_opencv(pixels: npt.NDArray[Any]) -> bytes:
    """A PNG of 8 or 16 bits; colours are given as RGB or RGBA."""
    turned = pixels if pixels.ndim == 2 else pixels[..., [2, 1, 0, 3][: pixels.shape[2]]]
    done, data = cv2.imencode(".png", turned)
    assert done
    return bytes(data)


def png_chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def png_with_chunk(data: bytes, kind: bytes, content: bytes) -> bytes:
    """The PNG with another chunk after its header."""
    return data[:33] + png_chunk(kind, content) + data[33:]


def claimed_png(width: int, height: int) -> bytes:
    """A PNG whose header promises this size, with next to no data."""
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    parts = png_chunk(b"IHDR", header) + png_chunk(b"IDAT", zlib.compress(b"\0" * 64)) + png_chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts
