"""Very large artworks, read strip by strip in constant memory."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from worker.engine.arrays import Srgb
from worker.engine.artwork.file_facts import MAX_PIXELS, FileFacts, damaged, load_vips, read_facts
from worker.engine.artwork.file_format import FileFormat, recognise_format
from worker.engine.artwork.icc_profile import BrokenProfile, build_transform, is_srgb
from worker.errors import ArtworkError

if TYPE_CHECKING:
    import pyvips

MAX_WHOLE_PIXELS = 64_000_000
"""Files whose coding needs the whole picture in memory are read up to this size."""

_HEAD_BYTES = 1 << 20
_FETCHED_ROWS = 16
_LOADERS = {"PNG": "pngload_source", "JPEG": "jpegload_source", "TIFF": "tiffload_source"}
_INSTEAD = "Save it as a plain 8-bit RGB or grey PNG, JPEG or TIFF: upright, opaque, in sRGB."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArtworkStrips:
    """An artwork whose pixels come strip by strip, once, from top to bottom.

    strips : iterator of (first row, uint8 (rows, W, 3) encoded sRGB, read-only); the last strip may be lower. It raises
    ArtworkError where the file is damaged. pixels_per_mm : across and down, from the file, or None.
    """

    name: str
    format: str
    width_px: int
    height_px: int
    pixels_per_mm: tuple[float, float] | None
    warnings: tuple[str, ...]
    strips: Iterator[tuple[int, Srgb]]


def read_strips(
    source: BinaryIO, *, rows: int = 256, name: str = "artwork", max_pixels: int = MAX_PIXELS
) -> ArtworkStrips:
    """Open an artwork for reading in strips of `rows` rows.

    `source` is a seekable binary file object, read from its start; it stays open while strips are read.

    Raises
    ------
    ArtworkError
        The file is damaged or too large, or not a plain 8-bit artwork: PNG, JPEG or TIFF without transparency, EXIF
        rotation or a profile other than sRGB.
    """
    source.seek(0)
    head = source.read(_HEAD_BYTES)
    form = recognise_format(head, name=name)
    if form not in _LOADERS:
        raise _not_plain(name, f"is a {form}")
    pyvips = load_vips()
    try:
        opened = _open_source(source)
        image = getattr(pyvips.Image, _LOADERS[form])(opened, access="sequential", fail_on="warning")
        facts = read_facts(image, head, form, name=name, max_pixels=max_pixels)
    except pyvips.Error as error:
        raise damaged(name, form, error) from error
    _check_plain(facts, name)
    _check_streams(image, head, form, name)
    return ArtworkStrips(
        name=name,
        format=form,
        width_px=image.width,
        height_px=image.height,
        pixels_per_mm=facts.pixels_per_mm,
        warnings=facts.warnings,
        strips=_strips(image, opened, rows, name, form),
    )


def _open_source(source: BinaryIO) -> Any:
    """libvips' own reading where there is a file; its calls back into Python otherwise."""
    pyvips = load_vips()
    source.seek(0)
    try:
        return pyvips.Source.new_from_descriptor(source.fileno())
    except (OSError, AttributeError, io.UnsupportedOperation):
        custom = pyvips.SourceCustom()
        custom.on_read(source.read)
        seek: Callable[[int, int], int] = source.seek
        custom.on_seek(seek)
        return custom


def _not_plain(name: str, what: str) -> ArtworkError:
    return ArtworkError(f"{name}: the file {what}; reading in strips takes plain 8-bit artworks.", mend=_INSTEAD)


def _check_plain(facts: FileFacts, name: str) -> None:
    if facts.sixteen_bits:
        raise _not_plain(name, "has 16 bits per channel")
    if facts.space == "cmyk":
        raise _not_plain(name, "is in CMYK")
    if facts.has_alpha:
        raise _not_plain(name, "has transparency")
    if facts.orientation != 1:
        raise _not_plain(name, f"is turned by EXIF orientation {facts.orientation}")
    if facts.icc is not None:
        try:
            plain = facts.space == "rgb" and is_srgb(build_transform(facts.icc, "rgb"))
        except BrokenProfile as error:
            raise _not_plain(name, f"has an ICC profile that {error}") from error
        if not plain:
            raise _not_plain(name, "has an ICC profile other than sRGB")


def _check_streams(image: pyvips.Image, head: bytes, form: FileFormat, name: str) -> None:
    if image.width * image.height <= MAX_WHOLE_PIXELS:
        return
    interlaced = form == "PNG" and head[28:29] == b"\x01"
    progressive = form == "JPEG" and "jpeg-multiscan" in image.get_fields() and image.get("jpeg-multiscan") == 1
    if interlaced or progressive:
        raise ArtworkError(
            f"{name}: the {form} is {'interlaced' if interlaced else 'progressive'}, and with "
            f"{image.width:,} x {image.height:,} px too large to be read whole.",
            mend=f"Save it without {'interlacing' if interlaced else 'progressive coding'}.",
        )


def _strips(image: pyvips.Image, opened: object, rows: int, name: str, form: FileFormat) -> Iterator[tuple[int, Srgb]]:
    # `opened` is held here, since libvips doesn't keep it. A region of many rows would keep many rows in its caches.
    pyvips = load_vips()
    region = pyvips.Region.new(image)
    width, height, bands = image.width, image.height, image.bands
    for first in range(0, height, rows):
        srgb = np.empty((min(rows, height - first), width, 3), np.uint8)
        for top in range(0, len(srgb), _FETCHED_ROWS):
            count = min(_FETCHED_ROWS, len(srgb) - top)
            try:
                memory = region.fetch(0, first + top, width, count)
            except pyvips.Error as error:
                raise damaged(name, form, error) from error
            srgb[top : top + count] = np.frombuffer(memory, np.uint8).reshape(count, width, bands)
        srgb.flags.writeable = False
        yield first, srgb
