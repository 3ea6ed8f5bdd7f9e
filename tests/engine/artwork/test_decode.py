"""Decoding, against Pillow, OpenCV, scikit-image's bundled pictures and the tables of the formats' standards."""

from __future__ import annotations

import hashlib
import io
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from tests.engine.artwork.picture_files import (
    ANY_SIZE,
    FORMATS,
    claimed_png,
    noise,
    png_by_opencv,
    png_chunk,
    png_with_chunk,
    saved,
    smooth,
)
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.picture import Artwork
from worker.errors import ArtworkError

SKIMAGE = Path(skimage.data.__file__).parent


def read(data: bytes, **options: int) -> Artwork:
    return read_artwork(data, name="art", size=ANY_SIZE, **options)


def refusal(data: bytes, **options: int) -> ArtworkError:
    with pytest.raises(ArtworkError) as caught:
        read(data, **options)
    assert caught.value.what.startswith("art: ")
    assert caught.value.mend.endswith(".")
    return caught.value


@pytest.mark.parametrize("form", ["PNG", "TIFF", "WebP", "BMP"])
def test_lossless_formats_keep_every_pixel(form: str) -> None:
    pixels = noise(17, 23)
    artwork = read(saved(Image.fromarray(pixels), form))
    assert artwork.format == form
    assert np.array_equal(artwork.srgb, pixels)
    assert artwork.alpha is None and artwork.warnings == ()


def test_an_artwork_is_contiguous_and_read_only() -> None:
    artwork = read(saved(Image.fromarray(noise(5, 7, channels=4)), "PNG"))
    for array in (artwork.srgb, artwork.alpha):
        assert array is not None and array.dtype == np.uint8
        assert array.flags.c_contiguous and not array.flags.writeable


PLAIN_PICTURES = (
    "coffee.png astronaut.png chelsea.png camera.png page.png logo.png horse.png multipage.tif "
    "no_time_for_that_tiny.gif retina.jpg hubble_deep_field.jpg"
)


@pytest.mark.parametrize("name", PLAIN_PICTURES.split())
def test_scikit_image_pictures_look_as_pillow_has_them(name: str) -> None:
    """Real input; JPEG decoders may differ by rounding of the inverse transform and of chroma interpolation."""
    data = (SKIMAGE / name).read_bytes()
    artwork = read(data)
    with Image.open(io.BytesIO(data)) as picture:
        expected = np.asarray(picture.convert("RGBA"))
    apart = np.abs(artwork.srgb.astype(int) - expected[..., :3])
    if artwork.alpha is not None:
        apart[artwork.alpha == 0] = 0
        assert np.array_equal(artwork.alpha, expected[..., 3])
    assert apart.max() <= (3 if name.endswith("jpg") else 0)
    assert artwork.sha256 == hashlib.sha256(data).hexdigest()


@pytest.mark.parametrize("form", ["PNG", "TIFF"])
@pytest.mark.parametrize("mode", ["1", "L", "P", "LA", "RGB", "RGBA"])
def test_modes_look_as_pillow_has_them(mode: str, form: str) -> None:
    picture = Image.fromarray(noise(9, 11, channels=4))
    picture = picture.convert("RGB").quantize(16) if mode == "P" else picture.convert(mode)
    artwork = read(saved(picture, form))
    expected = np.asarray(picture.convert("RGBA"))
    assert np.array_equal(artwork.srgb, expected[..., :3])
    alpha = np.full(expected.shape[:2], 255) if artwork.alpha is None else artwork.alpha
    assert np.array_equal(alpha, expected[..., 3])


@pytest.mark.parametrize("channels", [1, 3, 4])
def test_sixteen_bits_are_rounded_to_the_nearest_of_eight(channels: int) -> None:
    shape = (37, 41) if channels == 1 else (37, 41, channels)
    pixels = np.random.default_rng(3).integers(0, 65536, shape, dtype=np.uint16)
    pixels.flat[:600] = np.arange(600)
    artwork = read(png_by_opencv(pixels))
    expected = np.rint(pixels / 257.0).astype(np.uint8)
    colours = expected if channels > 1 else np.repeat(expected[..., None], 3, axis=2)
    assert np.array_equal(artwork.srgb, colours[..., :3])
    if channels == 4:
        assert artwork.alpha is not None and np.array_equal(artwork.alpha, expected[..., 3])


def test_transparency_of_a_palette() -> None:
    """ISO/IEC 15948, 11.3.2.1: tRNS holds the alpha of the first palette entries; the rest are opaque."""
    picture = Image.fromarray(noise(9, 11)).quantize(16)
    indices = np.asarray(picture)
    artwork = read(saved(picture, "PNG", transparency=bytes([0, 77])))
    assert artwork.alpha is not None
    assert np.array_equal(artwork.alpha, np.where(indices == 0, 0, np.where(indices == 1, 77, 255)))


def test_transparent_colour_of_a_png() -> None:
    """ISO/IEC 15948, 11.3.2.1: for colour type 2, tRNS names the one colour that is transparent."""
    pixels = noise(6, 6)
    pixels[2, 3] = (1, 2, 3)
    data = png_with_chunk(saved(Image.fromarray(pixels), "PNG"), b"tRNS", struct.pack(">HHH", 1, 2, 3))
    artwork = read(data)
    assert artwork.alpha is not None and np.argwhere(artwork.alpha == 0).tolist() == [[2, 3]]


def test_opaque_alpha_is_dropped() -> None:
    pixels = noise(4, 5, channels=4)
    pixels[..., 3] = 255
    assert read(saved(Image.fromarray(pixels), "PNG")).alpha is None


def test_one_bit_tiff_with_white_as_zero() -> None:
    """TIFF 6.0, PhotometricInterpretation 0: WhiteIsZero."""
    entries = [(256, 3, 8), (257, 3, 1), (258, 3, 1), (259, 3, 1), (262, 3, 0), (273, 3, 122), (277, 3, 1), (278, 3, 1)]
    entries.append((279, 3, 1))
    directory = struct.pack("<H", len(entries)) + b"".join(struct.pack("<HHIHH", t, k, 1, v, 0) for t, k, v in entries)
    data = b"II*\0" + struct.pack("<I", 8) + directory + struct.pack("<I", 0) + b"\xf0"
    assert len(data) == 123
    assert read(data).srgb[0, :, 0].tolist() == [0, 0, 0, 0, 255, 255, 255, 255]


@pytest.mark.parametrize("form", ["TIFF", "JPEG"])
def test_cmyk_without_profile_is_converted_as_pillow_does_with_a_warning(form: str) -> None:
    picture = Image.fromarray(smooth(64, 64, seed=1)).convert("CMYK")
    ink = np.asarray(picture).copy()
    ink[..., 3] = 40
    picture = Image.fromarray(ink, "CMYK")
    data = saved(picture, form, **({"quality": 98} if form == "JPEG" else {}))
    artwork = read(data)
    with Image.open(io.BytesIO(data)) as opened:
        expected = np.asarray(opened.convert("RGB")).astype(int)
    assert np.abs(artwork.srgb - expected).max() <= 2
    assert "CMYK without an ICC profile" in artwork.warnings[0]


def test_complement_of_cmyk_primaries() -> None:
    """Full cyan is (0, 255, 255), full black is black, bare paper is white: by the definition of the complement."""
    ink = np.array([[[255, 0, 0, 0], [0, 0, 0, 255], [0, 0, 0, 0], [0, 255, 255, 0]]], np.uint8)
    srgb = read(saved(Image.fromarray(ink, "CMYK"), "TIFF")).srgb
    assert srgb[0].tolist() == [[0, 255, 255], [0, 0, 0], [255, 255, 255], [255, 0, 0]]


@pytest.mark.parametrize("form", ["GIF", "WebP", "PNG", "TIFF"])
def test_only_the_first_of_several_pictures_is_used_and_said(form: str) -> None:
    first, second = (Image.new("RGB", (6, 4), colour) for colour in ("#ff0000", "#0000ff"))
    artwork = read(saved(first, form, save_all=True, append_images=[second]))
    assert np.array_equal(artwork.srgb, np.asarray(first))
    assert any("first" in warning for warning in artwork.warnings)


# CIPA DC-008-2019 (EXIF 2.32), tag 0112 hex: where the 0th row and the 0th column of the file are seen.
ORIENTATIONS = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}
OPPOSITE = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}


def corner(srgb: np.ndarray, one: str, other: str) -> list[int]:
    sides = {one, other}
    return srgb[0 if "top" in sides else -1, 0 if "left" in sides else -1].tolist()


@pytest.mark.parametrize("form", ["PNG", "TIFF", "WebP", "JPEG"])
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_exif_orientation(orientation: int, form: str) -> None:
    """Corners of the file: first pixel red, end of the first row green, start of the last row blue."""
    pixels = np.full((48, 80, 3), 255, np.uint8)
    pixels[:16, :16], pixels[:16, -16:], pixels[-16:, :16] = (255, 0, 0), (0, 255, 0), (0, 0, 255)
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"quality": 100, "subsampling": 0} if form == "JPEG" else {}
    srgb = read(saved(Image.fromarray(pixels), form, exif=exif, **options)).srgb
    row, column = ORIENTATIONS[orientation]
    assert srgb.shape == ((80, 48, 3) if orientation >= 5 else (48, 80, 3))
    for (one, other), colour in (
        ((row, column), (255, 0, 0)),
        ((row, OPPOSITE[column]), (0, 255, 0)),
        ((OPPOSITE[row], column), (0, 0, 255)),
    ):
        assert np.abs(np.array(corner(srgb, one, other)) - colour).max() <= 2


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_every_pixel_turns_as_pillow_turns_it(orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = saved(Image.fromarray(noise(150, 301, channels=4)), "PNG", exif=exif)
    artwork = read(data)
    with Image.open(io.BytesIO(data)) as picture:
        expected = np.asarray(ImageOps.exif_transpose(picture))
    assert artwork.alpha is not None
    assert np.array_equal(np.dstack([artwork.srgb, artwork.alpha]), expected)


@pytest.mark.parametrize("form", ["PNG", "JPEG", "TIFF", "BMP", "WebP"])
def test_resolution_of_the_file(form: str) -> None:
    """300 and 150 pixels per inch are 11.811 and 5.906 per mm."""
    exif = Image.Exif()
    exif[0x011A], exif[0x011B], exif[0x0128] = 300.0, 150.0, 2
    options = {"exif": exif} if form == "WebP" else {"dpi": (300, 150)}
    found = read(saved(Image.fromarray(noise(4, 6)), form, **options)).pixels_per_mm
    assert found == pytest.approx((300 / 25.4, 150 / 25.4), rel=2e-4)


def test_resolution_turns_with_the_picture() -> None:
    exif = Image.Exif()
    exif[0x0112], exif[0x011A], exif[0x011B], exif[0x0128] = 6, 300.0, 150.0, 2
    found = read(saved(Image.fromarray(noise(4, 6)), "JPEG", exif=exif)).pixels_per_mm
    assert found == pytest.approx((150 / 25.4, 300 / 25.4), rel=2e-4)


@pytest.mark.parametrize("form", ["PNG", "JPEG", "TIFF", "WebP", "GIF"])
def test_no_resolution_is_invented(form: str) -> None:
    assert read(saved(Image.fromarray(noise(4, 6)), form)).pixels_per_mm is None


def test_aspect_without_a_unit_is_no_resolution() -> None:
    """ISO/IEC 15948, 11.3.5.3: unit specifier 0 means that only the aspect is known."""
    data = png_with_chunk(saved(Image.fromarray(noise(4, 6)), "PNG"), b"pHYs", struct.pack(">IIB", 2, 1, 0))
    assert read(data).pixels_per_mm is None


def test_foreign_gamma_and_colours_are_reported() -> None:
    plain = saved(Image.fromarray(noise(4, 6)), "PNG")
    assert "gamma of 1" in read(png_with_chunk(plain, b"gAMA", struct.pack(">I", 100000))).warnings[0]
    assert read(png_with_chunk(plain, b"gAMA", struct.pack(">I", 45455))).warnings == ()
    assert "cICP" in read(png_with_chunk(plain, b"cICP", bytes([9, 16, 0, 1]))).warnings[0]
    assert read(png_with_chunk(plain, b"cICP", bytes([1, 13, 0, 1]))).warnings == ()


def test_sources_are_read_from_where_they_stand(tmp_path: Path) -> None:
    data = saved(Image.fromarray(noise(8, 8)), "PNG")
    path = tmp_path / "art"
    path.write_bytes(b"before" + data)
    with path.open("rb") as source:
        source.seek(6)
        from_file = read_artwork(source, name="art", size=ANY_SIZE)
    from_memory = read_artwork(io.BytesIO(data), name="art", size=ANY_SIZE)
    assert from_file.sha256 == from_memory.sha256 == hashlib.sha256(data).hexdigest()
    assert np.array_equal(from_file.srgb, from_memory.srgb)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "0 bytes"),
        (b"hello, world", "68 65 6c 6c 6f"),
        (b"%PDF-1.7", "PDF"),
        (b"\x1f\x8b\x08\0\0\0", "gzip"),
        (b"PK\x03\x04rest", "ZIP"),
        (b"\0\0\0\x20ftypheic", "HEIF"),
        (b"BM no bitmap at all, just text that starts so", "42 4d"),
        (b"\x89PNG\r\n\x1a\n", "PNG can't be decoded"),
        (b"\xff\xd8\xff\xe0", "JPEG can't be decoded"),
        (b"GIF89a", "GIF can't be decoded"),
        (b"RIFF\0\0\0\0WEBP", "WebP can't be decoded"),
        (b"II*\0\x08\0\0\0", "TIFF can't be decoded"),
        (claimed_png(0, 7), "PNG"),
    ],
)
def test_files_that_hold_no_picture(data: bytes, said: str) -> None:
    assert said in refusal(data).what


def test_a_bomb_is_refused_by_its_header() -> None:
    refused = refusal(claimed_png(60_000, 60_000))
    assert "60,000 x 60,000 px" in refused.what and "1,000,000,000" in refused.what and "52.7 %" in refused.mend


@pytest.mark.parametrize("form", FORMATS)
def test_the_limit_of_pixels_holds_for_every_format(form: str) -> None:
    data = saved(Image.fromarray(noise(20, 30)), form)
    assert read(data, max_pixels=600).srgb.shape == (20, 30, 3)
    assert "30 x 20 px, 600 in all; the limit is 599" in refusal(data, max_pixels=599).what


@pytest.mark.parametrize("form", FORMATS)
def test_a_file_cut_short_is_refused_or_whole(form: str) -> None:
    data = saved(Image.fromarray(noise(40, 40)), form)
    whole = read(data).srgb
    for cut in {len(data) * i // 24 for i in range(1, 24)}:
        refusal(data[:cut])
    for cut in range(len(data) - 12, len(data)):  # the last bytes may be an end mark that adds nothing
        try:
            assert np.array_equal(read(data[:cut]).srgb, whole)
        except ArtworkError as error:
            assert "can't be decoded" in error.what


def test_a_damaged_png_is_refused() -> None:
    """ISO/IEC 15948: every chunk has a check sum."""
    data = bytearray(saved(Image.fromarray(noise(40, 40)), "PNG"))
    data[len(data) // 2] ^= 0x10
    assert "PNG can't be decoded" in refusal(bytes(data)).what


def test_a_jpeg_damaged_in_the_middle_is_refused() -> None:
    """Its decoder only warns, and goes on with pixels of its own: a marker amid the data."""
    data = bytearray(saved(Image.fromarray(noise(200, 200)), "JPEG"))
    data[len(data) // 2 : len(data) // 2 + 2] = b"\xff\xd9"
    assert "JPEG can't be decoded" in refusal(bytes(data)).what


@pytest.mark.parametrize("form", FORMATS)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32), hits=st.integers(1, 12))
def test_no_damage_raises_anything_but_an_artwork_error(form: str, seed: int, hits: int) -> None:
    random = np.random.default_rng(seed)
    data = bytearray(saved(Image.fromarray(noise(24, 24)), form))
    for _ in range(hits):
        data[int(random.integers(0, len(data)))] = int(random.integers(0, 256))
    try:
        artwork = read(bytes(data), max_pixels=1_000_000)
    except ArtworkError:
        return
    assert artwork.srgb.dtype == np.uint8 and artwork.srgb.shape[2] == 3


@pytest.mark.parametrize(("mode", "said"), [("F", "float"), ("I", "int")])
def test_other_sample_types_are_refused_with_a_mend(mode: str, said: str) -> None:
    refused = refusal(saved(Image.new(mode, (5, 3)), "TIFF"))
    assert said in refused.what and "8 or 16 bits" in refused.mend


def test_an_extra_channel_of_unknown_meaning_is_reported() -> None:
    """TIFF 6.0, ExtraSamples 0: unspecified data."""
    data = bytearray(saved(Image.fromarray(noise(4, 4, channels=4)), "TIFF"))
    entry = data.index(struct.pack("<HHI", 338, 3, 1))
    data[entry + 8 : entry + 10] = struct.pack("<H", 0)
    assert "extra channel" in read(bytes(data)).warnings[0]


def test_interlaced_png() -> None:
    """ISO/IEC 15948, 8.2, Adam7: of a picture of 2 x 2, pass 1 holds (0, 0), pass 6 (1, 0), pass 7 the second row."""
    rows = b"\0\x0a" + b"\0\x14" + b"\0\x1e\x28"
    header = struct.pack(">IIBBBBB", 2, 2, 8, 0, 0, 0, 1)
    parts = png_chunk(b"IHDR", header) + png_chunk(b"IDAT", zlib.compress(rows)) + png_chunk(b"IEND", b"")
    assert read(b"\x89PNG\r\n\x1a\n" + parts).srgb[..., 0].tolist() == [[10, 20], [30, 40]]


@settings(max_examples=120, deadline=None)
@given(
    mode=st.sampled_from(["1", "L", "P", "LA", "RGB", "RGBA", "CMYK"]),
    form=st.sampled_from(FORMATS),
    height=st.integers(1, 12),
    width=st.integers(1, 12),
)
def test_any_mode_and_size(mode: str, form: str, height: int, width: int) -> None:
    picture = Image.fromarray(noise(height, width, channels=4, seed=height * 13 + width)).convert(mode)
    try:
        data = saved(picture, form)
    except (OSError, ValueError):  # Pillow can't write this mode in this format
        return
    artwork = read(data)
    assert artwork.srgb.shape == (height, width, 3)
    assert artwork.alpha is None or artwork.alpha.shape == (height, width)


def test_loading_the_decoder_loads_no_picture_library_with_threads() -> None:
    """libvips starts threads, which don't survive the forks of a task queue; and quick commands needn't wait for it."""
    code = "import sys, worker.engine.artwork.decode; print('pyvips' in sys.modules, 'resvg_py' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
