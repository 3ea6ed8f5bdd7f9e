"""Bytes of a picture file in, an upright artwork in encoded sRGB out."""

from __future__ import annotations

import hashlib
import io
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any, BinaryIO, TypeVar

import numpy as np
import numpy.typing as npt
from PIL import BmpImagePlugin

from worker.engine.arrays import Alpha, Srgb
from worker.engine.artwork.file_facts import FIRST_ALONE, MAX_PIXELS, check_pixels, damaged, load_vips, read_facts
from worker.engine.artwork.file_format import FileFormat, recognise_format
from worker.engine.artwork.icc_profile import (
    BrokenProfile,
    ColourSpace,
    build_transform,
    convert_by_profile,
    is_srgb,
    read_profile,
)
from worker.engine.artwork.picture import Artwork, WantedSize
from worker.errors import ArtworkError

MAX_SCANS = 500
"""Of one JPEG: each goes over the whole picture again, and a progressive one of use has ten."""

_TILE = 128

Pixels = npt.NDArray[Any]
"""uint8 or uint16 (H, W, channels)."""
_Sample = TypeVar("_Sample", np.uint8, np.uint16)


@dataclass(slots=True, kw_only=True)
class Decoded:
    """A picture as its file holds it: colours in `space`, alpha last in `pixels` where `has_alpha`, not yet upright."""

    pixels: Pixels
    space: ColourSpace
    has_alpha: bool
    icc: bytes | None = None
    orientation: int = 1
    pixels_per_mm: tuple[float, float] | None = None
    warnings: list[str] = field(default_factory=list)


def read_artwork(source: BinaryIO | bytes, *, name: str, size: WantedSize, max_pixels: int = MAX_PIXELS) -> Artwork:
    """Decode an artwork.

    Parameters
    ----------
    source : binary file object or bytes
        PNG, JPEG, TIFF, WebP, BMP, GIF or SVG; recognised by content. A file object is read from where it stands.
    name : str
        How messages name the artwork.
    size : WantedSize
        Only SVG uses it: it is rendered at the pixels of the board's grid.
    max_pixels : int
        A picture of more pixels is refused by its header, before it is decoded.

    Returns
    -------
    Artwork
        Upright (EXIF orientation applied), uint8 encoded sRGB. An embedded ICC profile is honoured; without one, or
        with a broken one (a warning says so), the colours are taken as sRGB; CMYK without one is converted by
        complement (a warning says so). 16-bit samples are rounded to 8 after colour conversion.

    Raises
    ------
    ArtworkError
        The file is empty, damaged, hostile, too large or in another format.
    """
    data = source if isinstance(source, bytes) else source.read()
    form = recognise_format(data, name=name)
    if form == "SVG":
        from worker.engine.artwork.svg import read_svg

        return read_svg(data, name=name, size=size, max_pixels=max_pixels)
    with ThreadPoolExecutor(1) as hasher:  # hashing beside decoding: both leave the interpreter
        digest = hasher.submit(lambda: hashlib.sha256(data).hexdigest())
        decoded = (_decode_bmp if form == "BMP" else _decode)(data, form, name, max_pixels)
        upright = upright_artwork(decoded, name=name, format=form)
        return replace(upright, sha256=digest.result())


def upright_artwork(decoded: Decoded, *, name: str, format: str) -> Artwork:
    """A decoded picture upright and in sRGB, with no SHA-256 yet."""
    srgb, alpha = _upright_srgb(decoded)
    srgb.flags.writeable = False
    if alpha is not None:
        alpha.flags.writeable = False
    resolution = decoded.pixels_per_mm
    if resolution is not None and decoded.orientation >= 5:
        resolution = (resolution[1], resolution[0])
    return Artwork(
        name=name,
        format=format,
        sha256="",
        srgb=srgb,
        alpha=alpha,
        pixels_per_mm=resolution,
        warnings=tuple(decoded.warnings),
    )


def decode_samples(data: bytes, *, name: str, formats: tuple[FileFormat, ...], max_pixels: int) -> Decoded:
    """A picture as its file holds it, for whoever wants its own samples: not upright, not brought to sRGB.

    Raises ArtworkError as `read_artwork` does, and for a format that is none of `formats`.
    """
    form = recognise_format(data, name=name)
    if form not in formats:
        raise ArtworkError(f"{name}: the file is a {form}.", mend=f"Save it as {', '.join(formats)}.")
    return _decode(data, form, name, max_pixels)


def decode_page(data: bytes, page: int, *, name: str, max_pixels: int) -> Decoded:
    """A page of a TIFF, counted from 0. Raises ArtworkError."""
    return _decode(data, "TIFF", name, max_pixels, page=page)


_LOADERS = {
    "PNG": "pngload_buffer",
    "JPEG": "jpegload_buffer",
    "TIFF": "tiffload_buffer",
    "WebP": "webpload_buffer",
    "GIF": "gifload_buffer",
}


def _decode(data: bytes, form: FileFormat, name: str, max_pixels: int, *, page: int | None = None) -> Decoded:
    pyvips = load_vips()
    scans = data.count(b"\xff\xda") if form == "JPEG" else 0
    if scans > MAX_SCANS:
        raise ArtworkError(
            f"{name}: the JPEG has {scans:,} scans; the limit is {MAX_SCANS}.", mend="Save it again, as a plain JPEG."
        )
    try:
        # "warning": a JPEG library only warns of damage in the middle of a file, and invents the missing pixels.
        wanted = {} if page is None else {"page": page}
        image = getattr(pyvips.Image, _LOADERS[form])(data, access="sequential", fail_on="warning", **wanted)
        facts = read_facts(image, data, form, name=name, max_pixels=max_pixels)
        memory = image.write_to_memory()
    except pyvips.Error as error:
        raise damaged(name, form, error) from error
    except MemoryError as error:
        raise ArtworkError(
            f"{name}: {image.width:,} x {image.height:,} px don't fit into memory.", mend="Scale the picture down."
        ) from error
    pixels = np.frombuffer(memory, np.uint16 if facts.sixteen_bits else np.uint8)
    return Decoded(
        pixels=pixels.reshape(image.height, image.width, image.bands),
        space=facts.space,
        has_alpha=facts.has_alpha,
        icc=facts.icc,
        orientation=facts.orientation,
        pixels_per_mm=facts.pixels_per_mm,
        warnings=[note for note in facts.warnings if page is None or FIRST_ALONE not in note],
    )


_RUNS = (1, 2)
"""A BMP's compression by runs: BI_RLE8 and BI_RLE4 of the Windows bitmap header."""
_SMALL_PIXELS = 16_000_000
_MOST_PIXELS_PER_BYTE = 10_000
"""A run holds 255 pixels in two bytes, and an end of line leaves the rest of a row empty."""


def _decode_bmp(data: bytes, form: FileFormat, name: str, max_pixels: int) -> Decoded:
    # The plug-in's class, since Image.open warns and fails at a size limit of its own.
    try:
        picture = BmpImagePlugin.BmpImageFile(io.BytesIO(data))
        check_pixels(*picture.size, name=name, max_pixels=max_pixels)
        resolution = picture.info.get("dpi")
        _check_runs(picture, len(data), name)
        picture.load()
        has_alpha = picture.mode == "RGBA"
        space: ColourSpace = "grey" if picture.mode in ("1", "L") else "rgb"
        plain = picture.convert("L" if space == "grey" else "RGBA" if has_alpha else "RGB")
    except ArtworkError:
        raise
    except Exception as error:  # Pillow raises half a dozen kinds on damaged files
        raise damaged(name, form, error) from error
    notes = []
    if len(data) > 74 and data[14:15] == b"\x7c" and data[70:74] in (b"DEBM", b"KNIL"):
        notes.append("The ICC profile of a BMP isn't read: the colours are taken as sRGB.")
    return Decoded(
        pixels=np.array(plain, dtype=np.uint8).reshape(plain.height, plain.width, -1),
        space=space,
        has_alpha=has_alpha,
        pixels_per_mm=(resolution[0] / 25.4, resolution[1] / 25.4) if resolution and min(resolution) > 0 else None,
        warnings=notes,
    )


def _check_runs(picture: BmpImagePlugin.BmpImageFile, size: int, name: str) -> None:
    """Raise ArtworkError where runs can't be what fills so large a picture: Pillow would take minutes over it."""
    pixels = picture.width * picture.height
    if picture.info.get("compression") in _RUNS and pixels > max(_SMALL_PIXELS, _MOST_PIXELS_PER_BYTE * size):
        raise ArtworkError(
            f"{name}: the BMP says that it has {picture.width:,} x {picture.height:,} pixels, in {size:,} bytes.",
            mend="It is damaged: save it anew, as PNG.",
        )


def _upright_srgb(decoded: Decoded) -> tuple[Srgb, Alpha | None]:
    pixels, alpha = decoded.pixels, None
    if decoded.has_alpha:
        alpha = _eight_bits(pixels[..., -1])
        pixels = pixels[..., :-1]
        if int(alpha.min()) == 255:
            alpha = None
    srgb = _to_srgb(np.ascontiguousarray(pixels), decoded)
    return turn_upright(srgb, decoded.orientation), None if alpha is None else turn_upright(alpha, decoded.orientation)


def _to_srgb(pixels: Pixels, decoded: Decoded) -> Srgb:
    space = decoded.space
    if decoded.icc is not None:
        try:
            if pixels.dtype == np.uint16:
                return _sixteen_bits_by_profile(pixels, decoded.icc, space)
            transform = build_transform(decoded.icc, space)
            if space != "rgb" or not is_srgb(transform):
                return convert_by_profile(transform, pixels, space)
        except BrokenProfile as error:
            assumed = "plain CMYK" if space == "cmyk" else "sRGB"
            decoded.warnings.append(f"The embedded ICC profile {error}: the colours are taken as {assumed}.")
    samples = _eight_bits(pixels)
    if space == "rgb":
        return samples
    if space == "grey":
        return np.ascontiguousarray(np.broadcast_to(samples, (*samples.shape[:2], 3)))
    if decoded.icc is None:
        decoded.warnings.append("The picture is CMYK without an ICC profile: its colours are a guess by complement.")
    return _complement(samples)


def _sixteen_bits_by_profile(pixels: npt.NDArray[np.uint16], icc: bytes, space: ColourSpace) -> Srgb:
    # Pillow's transforms take 8 bits only; libvips runs the same colour engine on 16.
    read_profile(icc, space)
    pyvips = load_vips()
    height, width, channels = pixels.shape
    interpretation = {"grey": "grey16", "rgb": "rgb16", "cmyk": "cmyk"}[space]
    try:
        image = pyvips.Image.new_from_memory(pixels.data, width, height, channels, "ushort")
        image = image.copy(interpretation=interpretation)
        image.set_type(pyvips.GValue.blob_type, "icc-profile-data", icc)
        # Two steps in floating point: one from end to end would go through a coarse table.
        imported = image.icc_import(embedded=True, pcs="xyz", intent="relative", black_point_compensation=True)
        converted = imported.icc_export(
            output_profile="srgb", intent="relative", black_point_compensation=True, depth=8
        )
        memory = converted.write_to_memory()
    except pyvips.Error as error:
        raise BrokenProfile("is broken") from error
    return np.frombuffer(memory, np.uint8).reshape(height, width, 3)


def _eight_bits(samples: Pixels) -> npt.NDArray[np.uint8]:
    """Round 16-bit samples to the nearest of 8 bits: (v * 255 + 32895) >> 16 is round(v / 257), exactly."""
    if samples.dtype == np.uint8:
        return samples
    rounded = np.empty(samples.shape, np.uint8)
    for row in range(samples.shape[0]):
        rounded[row] = (samples[row].astype(np.uint32) * 255 + 32895) >> 16
    return rounded


def _complement(cmyk: npt.NDArray[np.uint8]) -> Srgb:
    """Encoded R = (255 - C) (255 - K) / 255, rounded; likewise G from M and B from Y."""
    srgb = np.empty((*cmyk.shape[:2], 3), np.uint8)
    for row in range(cmyk.shape[0]):
        ink = 255 - cmyk[row].astype(np.uint16)
        srgb[row] = (ink[:, :3] * ink[:, 3:] + 127) // 255
    return srgb


def turn_upright(pixels: npt.NDArray[_Sample], orientation: int) -> npt.NDArray[_Sample]:
    """Undo an EXIF orientation, 1 to 8 (CIPA DC-008, tag 0112 hex): where row 0 and column 0 of the file are seen.

    1 top, left; 2 top, right; 3 bottom, right; 4 bottom, left; 5 left, top; 6 right, top; 7 right, bottom;
    8 left, bottom.
    """
    if orientation >= 5:
        pixels = pixels.swapaxes(0, 1)
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    return np.ascontiguousarray(pixels) if orientation < 5 else _copied_in_tiles(pixels)


def _copied_in_tiles(pixels: npt.NDArray[_Sample]) -> npt.NDArray[_Sample]:
    """A contiguous copy of a transposed picture, in tiles that fit the cache and channel by channel: 3 times faster."""
    copied = np.empty(pixels.shape, pixels.dtype)
    channels = [...] if pixels.ndim == 2 else [(..., channel) for channel in range(pixels.shape[2])]
    for top in range(0, pixels.shape[0], _TILE):
        for left in range(0, pixels.shape[1], _TILE):
            tile = slice(top, top + _TILE), slice(left, left + _TILE)
            for channel in channels:
                copied[tile][channel] = pixels[tile][channel]
    return copied
