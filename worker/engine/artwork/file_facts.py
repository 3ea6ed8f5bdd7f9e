"""A picture file opened by libvips: what its header says, before any pixel is decoded."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from PIL import Image

from worker.engine.artwork.file_format import FileFormat, png_notes, png_resolution, tiff_extra_samples
from worker.engine.artwork.icc_profile import ColourSpace
from worker.errors import ArtworkError

if TYPE_CHECKING:
    import pyvips

MAX_PIXELS = 1_000_000_000

DAMAGED = "The file is damaged or cut short: save it again from the program that made it, or send it again."

_SPACES: dict[str, tuple[ColourSpace, int]] = {
    "b-w": ("grey", 1),
    "grey16": ("grey", 1),
    "srgb": ("rgb", 3),
    "rgb": ("rgb", 3),
    "rgb16": ("rgb", 3),
    "cmyk": ("cmyk", 4),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFacts:
    """What a picture file says of itself.

    `orientation` is EXIF's, 1 to 8. `pixels_per_mm` is across and down as stored, before turning upright.
    """

    space: ColourSpace
    sixteen_bits: bool
    has_alpha: bool
    icc: bytes | None
    orientation: int
    pixels_per_mm: tuple[float, float] | None
    warnings: tuple[str, ...]


FIRST_ALONE = "only the first is used"
"""What is said of a file with several frames or pages, where they are not asked for."""


@cache
def load_vips() -> Any:
    """The pyvips module, loaded when first needed: forked workers and quick commands must not pay for it.

    libvips would keep the latest decoded artworks in its operation cache: it is switched off.
    """
    import pyvips

    logging.getLogger("pyvips").addHandler(logging.NullHandler())
    pyvips.cache_set_max(0)
    return pyvips


def check_pixels(width: int, height: int, *, name: str, max_pixels: int) -> None:
    """Raise ArtworkError where a picture of this size is empty or over the limit."""
    if width < 1 or height < 1:
        raise ArtworkError(f"{name}: the picture is {width} x {height} px.", mend="Save it with at least 1 x 1 px.")
    if width * height > max_pixels:
        raise ArtworkError(
            f"{name}: the picture is {width:,} x {height:,} px, {width * height:,} in all; "
            f"the limit is {max_pixels:,}.",
            mend=f"Scale it down, to {(max_pixels / (width * height)) ** 0.5 * 100:.3g} % or less.",
        )


def read_facts(image: pyvips.Image, head: bytes, form: FileFormat, *, name: str, max_pixels: int) -> FileFacts:
    """Check an opened picture and read its header; `head` is the start of the file. Raises ArtworkError."""
    check_pixels(image.width, image.height, name=name, max_pixels=max_pixels)
    space, channels = _layout(image, form, name)
    fields = set(image.get_fields())
    icc = image.get("icc-profile-data") if "icc-profile-data" in fields else None
    orientation = int(image.get("orientation")) if "orientation" in fields else 1
    has_alpha = image.bands > channels
    return FileFacts(
        space=space,
        sixteen_bits=image.format == "ushort",
        has_alpha=has_alpha,
        icc=icc,
        orientation=orientation if 1 <= orientation <= 8 else 1,
        pixels_per_mm=_resolution(image, fields, head, form),
        warnings=tuple(_notes(image, fields, head, form, icc is not None, has_alpha)),
    )


def _layout(image: pyvips.Image, form: FileFormat, name: str) -> tuple[ColourSpace, int]:
    known = _SPACES.get(image.interpretation)
    if known is None or image.format not in ("uchar", "ushort"):
        raise ArtworkError(
            f"{name}: the {form} holds {image.format} samples in {image.interpretation}.",
            mend="Save it with 8 or 16 bits per channel in grey, RGB or CMYK.",
        )
    if not known[1] <= image.bands <= known[1] + 1:
        raise ArtworkError(
            f"{name}: the {form} has {image.bands} channels in {image.interpretation}.",
            mend="Save it flattened: colours, and at most one channel for transparency.",
        )
    return known


def _resolution(image: pyvips.Image, fields: set[str], head: bytes, form: FileFormat) -> tuple[float, float] | None:
    if form == "PNG" and (found := png_resolution(head)) is not None:
        return found
    if "resolution-unit" not in fields:
        return None
    if form == "WebP":  # libvips reads the tags of a WebP, but leaves its resolution at the default
        return _exif_resolution(image.get("exif-data")) if "exif-data" in fields else None
    return (image.xres, image.yres) if image.xres > 0 and image.yres > 0 else None


def _exif_resolution(block: bytes) -> tuple[float, float] | None:
    exif = Image.Exif()
    try:
        exif.load(block)
        across, down, unit = float(exif[0x011A]), float(exif[0x011B]), int(exif.get(0x0128, 2))
    except Exception:  # tags without which a picture is whole
        return None
    per_mm = {2: 25.4, 3: 10.0}.get(unit)
    return (across / per_mm, down / per_mm) if per_mm and across > 0 and down > 0 else None


def _notes(
    image: pyvips.Image, fields: set[str], head: bytes, form: FileFormat, has_profile: bool, has_alpha: bool
) -> list[str]:
    notes = png_notes(head, profile_found=has_profile) if form == "PNG" else []
    pages = int(image.get("n-pages")) if "n-pages" in fields else 1
    if pages > 1:
        part = "page" if form == "TIFF" else "frame"
        notes.append(f"The {form} holds {pages} {part}s: {FIRST_ALONE}.")
    if form == "JPEG" and not has_profile and b"ICC_PROFILE\x00" in head[: 1 << 20]:
        notes.append("The embedded ICC profile is broken: the colours are taken as sRGB.")
    if form == "TIFF" and has_alpha and tiff_extra_samples(head) in (0, None):
        notes.append("The TIFF doesn't say what its extra channel is: it is taken as transparency.")
    return notes


def damaged(name: str, form: FileFormat, error: Exception) -> ArtworkError:
    """The error that tells what a decoder said of a damaged file."""
    lines = [line.strip() for line in str(getattr(error, "detail", error)).splitlines() if line.strip()]
    said = lines[-1].rstrip(".") if lines else "the data end or make no sense"
    return ArtworkError(f"{name}: the {form} can't be decoded: {said}.", mend=DAMAGED)
