"""PNG files, read back by Pillow and OpenCV, with the chunk layout of ISO/IEC 15948."""

from __future__ import annotations

import io
import struct
import zlib

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from worker.engine.report.png import encode_png
from worker.errors import ArrayError

sides = st.integers(1, 70)


def chunks_of(png: bytes) -> list[tuple[bytes, bytes]]:
    """Every chunk, its checksum proved."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    found, place = [], 8
    while place < len(png):
        length, kind = struct.unpack(">I4s", png[place : place + 8])
        data = png[place + 8 : place + 8 + length]
        (checksum,) = struct.unpack(">I", png[place + 8 + length : place + 12 + length])
        assert checksum == zlib.crc32(kind + data)
        found.append((kind, data))
        place += 12 + length
    return found


@given(st.integers(0, 2**32 - 1), sides, sides, st.sampled_from([1, 2, 4, 8]))
@settings(max_examples=80, deadline=None)
def test_grey(seed: int, height: int, width: int, bits: int) -> None:
    pixels = np.random.default_rng(seed).integers(0, 1 << bits, (height, width), dtype=np.uint8)
    png = encode_png(pixels, palette=None, bits=bits, pixels_per_metre=None)
    image = Image.open(io.BytesIO(png))
    assert image.size == (width, height)
    assert image.mode == ("1" if bits == 1 else "L")
    # 15, 5 and 17 times: Pillow spreads a few bits over the whole range.
    scale = 1 if bits == 1 else 255 // ((1 << bits) - 1)
    assert (np.asarray(image).astype(int) == pixels.astype(int) * scale).all()
    by_opencv = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert (by_opencv == pixels * np.uint8(255 // ((1 << bits) - 1))).all()


@given(st.integers(0, 2**32 - 1), sides, sides, st.sampled_from([1, 2, 4, 8]))
@settings(max_examples=80, deadline=None)
def test_indexed(seed: int, height: int, width: int, bits: int) -> None:
    rng = np.random.default_rng(seed)
    pixels = rng.integers(0, 1 << bits, (height, width), dtype=np.uint8)
    palette = rng.integers(0, 256, (1 << bits, 3), dtype=np.uint8)
    image = Image.open(io.BytesIO(encode_png(pixels, palette=palette.tobytes(), bits=bits, pixels_per_metre=50_000)))
    assert image.mode == "P"
    assert (np.asarray(image) == pixels).all()
    assert (np.asarray(image.convert("RGB")) == palette[pixels]).all()


@given(st.integers(0, 2**32 - 1), sides, sides)
@settings(max_examples=40, deadline=None)
def test_colour(seed: int, height: int, width: int) -> None:
    pixels = np.random.default_rng(seed).integers(0, 256, (height, width, 3), dtype=np.uint8)
    png = encode_png(pixels, palette=None, bits=8, pixels_per_metre=None)
    image = Image.open(io.BytesIO(png))
    assert image.mode == "RGB" and (np.asarray(image) == pixels).all()
    assert (cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)[..., ::-1] == pixels).all()
    assert (b"sRGB", b"\x00") in chunks_of(png)


def test_a_mask_of_truth_values() -> None:
    mask = np.random.default_rng(1).random((33, 17)) < 0.5
    image = Image.open(io.BytesIO(encode_png(mask.view(np.uint8), palette=None, bits=1, pixels_per_metre=50_000)))
    assert image.mode == "1" and (np.asarray(image) == mask).all()


@pytest.mark.parametrize("per_metre", [1, 39_370, 50_000, 200_000])
def test_physical_resolution(per_metre: int) -> None:
    png = encode_png(np.zeros((2, 3), np.uint8), palette=None, bits=1, pixels_per_metre=per_metre)
    assert dict(chunks_of(png))[b"pHYs"] == struct.pack(">IIB", per_metre, per_metre, 1)
    dpi = Image.open(io.BytesIO(png)).info["dpi"]
    assert dpi == pytest.approx((per_metre * 0.0254,) * 2)


def test_without_a_resolution_none_is_stated() -> None:
    png = encode_png(np.zeros((2, 3), np.uint8), palette=None, bits=8, pixels_per_metre=None)
    assert [kind for kind, _ in chunks_of(png)] == [b"IHDR", b"IDAT", b"IEND"]


def test_chunks_stand_in_the_standards_order() -> None:
    png = encode_png(np.zeros((2, 3), np.uint8), palette=bytes(6), bits=1, pixels_per_metre=9)
    assert [kind for kind, _ in chunks_of(png)] == [b"IHDR", b"pHYs", b"PLTE", b"IDAT", b"IEND"]


def test_large_pictures_and_the_same_bytes() -> None:
    pixels = np.random.default_rng(2).integers(0, 5, (1500, 2100), dtype=np.uint8)
    first = encode_png(pixels, palette=bytes(48), bits=4, pixels_per_metre=None)
    assert first == encode_png(np.asfortranarray(pixels), palette=bytes(48), bits=4, pixels_per_metre=None)
    assert (np.asarray(Image.open(io.BytesIO(first))) == pixels).all()
    # Half a byte a pixel before deflate.
    assert len(first) < pixels.size // 2


@pytest.mark.parametrize(
    ("shape", "bits"), [((0, 5), 8), ((5, 0), 1), ((4, 4, 4), 8), ((4, 4, 3), 4), ((4,), 8), ((2, 2, 2, 3), 8)]
)
def test_what_is_no_picture_is_an_error(shape: tuple[int, ...], bits: int) -> None:
    with pytest.raises(ArrayError, match=r"pixels is uint8") as caught:
        encode_png(np.zeros(shape, np.uint8), palette=None, bits=bits, pixels_per_metre=None)
    assert str(shape) in caught.value.what and "(H, W" in caught.value.mend
