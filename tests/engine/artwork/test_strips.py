"""Strips, against the whole picture read at once."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from tests.engine.artwork.matrix_profile import matrix_profile
from tests.engine.artwork.picture_files import ANY_SIZE, claimed_png, noise, saved, smooth
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.strips import read_strips
from worker.errors import ArtworkError


@pytest.mark.parametrize("form", ["PNG", "JPEG", "TIFF"])
@pytest.mark.parametrize("rows", [1, 7, 64, 1000])
def test_strips_make_up_the_whole_picture(form: str, rows: int, tmp_path: Path) -> None:
    data = saved(Image.fromarray(smooth(150, 90)), form)
    path = tmp_path / "art"
    path.write_bytes(data)
    whole = read_artwork(data, name="art", size=ANY_SIZE).srgb
    with path.open("rb") as file:
        for source in (file, io.BytesIO(data)):
            strips = read_strips(source, rows=rows)
            assert (strips.width_px, strips.height_px, strips.format) == (90, 150, form)
            read = list(strips.strips)
            assert [first for first, _ in read] == list(range(0, 150, rows))
            assert all(len(strip) == rows for _, strip in read[:-1])
            assert np.array_equal(np.concatenate([strip for _, strip in read]), whole)


@pytest.mark.parametrize("mode", ["L", "1", "P"])
def test_grey_and_palette_come_as_rgb(mode: str) -> None:
    picture = Image.fromarray(noise(30, 20)).convert(mode)
    strips = list(read_strips(io.BytesIO(saved(picture, "PNG")), rows=16).strips)
    assert np.array_equal(np.concatenate([strip for _, strip in strips]), np.asarray(picture.convert("RGB")))


def test_resolution_and_srgb_profile_are_kept() -> None:
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = saved(Image.fromarray(noise(30, 20)), "PNG", dpi=(254, 254), icc_profile=icc)
    strips = read_strips(io.BytesIO(data))
    assert strips.pixels_per_mm == pytest.approx((10.0, 10.0)) and strips.warnings == ()


def turned(orientation: int) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = orientation
    return exif


GREY = matrix_profile(to_pcs=None, gamma=1.0, space=b"GRAY")
NOT_PLAIN = {
    "WebP": saved(Image.fromarray(noise(8, 8)), "WebP"),
    "SVG": b"<svg xmlns='http://www.w3.org/2000/svg'/>",
    "transparency": saved(Image.fromarray(noise(8, 8, channels=4)), "PNG"),
    "EXIF orientation 6": saved(Image.fromarray(noise(8, 8)), "JPEG", exif=turned(6)),
    "CMYK": saved(Image.fromarray(noise(8, 8, channels=4), "CMYK"), "TIFF"),
    "16 bits": saved(Image.fromarray(np.zeros((8, 8), np.uint16)), "PNG"),
    "other than sRGB": saved(Image.new("L", (8, 8)), "PNG", icc_profile=GREY),
    "is broken": saved(Image.fromarray(noise(8, 8)), "JPEG", icc_profile=b"nothing"),
}


@pytest.mark.parametrize("said", NOT_PLAIN)
def test_other_artworks_are_refused(said: str) -> None:
    with pytest.raises(ArtworkError) as caught:
        read_strips(io.BytesIO(NOT_PLAIN[said]), name="art")
    assert said in caught.value.what and "8-bit" in caught.value.what and caught.value.mend


def test_damage_is_an_error_at_its_strip() -> None:
    data = saved(Image.fromarray(noise(200, 200)), "PNG")
    strips = read_strips(io.BytesIO(data[: len(data) // 2]), rows=10)
    with pytest.raises(ArtworkError, match="can't be decoded"):
        list(strips.strips)


def test_a_bomb_is_refused_by_its_header() -> None:
    with pytest.raises(ArtworkError, match="60,000 x 60,000"):
        read_strips(io.BytesIO(claimed_png(60_000, 60_000)))


def test_interlaced_and_progressive_files_are_read_only_up_to_a_size() -> None:
    """Their coding spreads each row over the whole file."""
    large = bytearray(claimed_png(20_000, 20_000))
    large[28] = 1
    with pytest.raises(ArtworkError, match="interlaced"):
        read_strips(io.BytesIO(bytes(large)))
    small = saved(Image.fromarray(smooth(64, 64)), "JPEG", progressive=True)
    assert sum(len(strip) for _, strip in read_strips(io.BytesIO(small)).strips) == 64


MEMORY = """
import resource, sys
from worker.engine.artwork.strips import read_strips
with open(sys.argv[1], "rb") as source:
    strips = read_strips(source, rows=64)
    first = next(strips.strips)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    rows = sum(len(strip) for _, strip in strips.strips)
print(rows, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.slow
def test_memory_does_not_grow_with_the_height(tmp_path: Path) -> None:
    """A picture of 54 MB; reading it to the end takes less than a quarter of that beyond the first strip."""
    path = tmp_path / "tall.png"
    Image.fromarray(np.tile(noise(1000, 2000), (9, 1, 1))).save(path, compress_level=1)
    done = subprocess.run([sys.executable, "-c", MEMORY, str(path)], capture_output=True, text=True, check=True)
    rows, kilobytes = (int(word) for word in done.stdout.split())
    assert rows == 9_000 - 64
    assert kilobytes < 13_500
