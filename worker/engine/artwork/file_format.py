"""Which format an artwork is in, by its first bytes, and the few header facts that the decoders don't give."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from typing import Literal

from PIL import TiffImagePlugin

from worker.errors import ArtworkError

FileFormat = Literal["PNG", "JPEG", "TIFF", "WebP", "BMP", "GIF", "SVG"]

READABLE = "PNG, JPEG, TIFF, WebP, BMP, GIF or SVG"

_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_OTHER_FORMATS: tuple[tuple[int, bytes, str], ...] = (
    (0, b"%PDF", "a PDF document"),
    (0, b"%!PS", "a PostScript file"),
    (0, b"8BPS", "a layered picture file"),
    (0, b"\x1f\x8b", "gzip-compressed"),
    (0, b"PK\x03\x04", "a ZIP archive"),
    (4, b"ftyp", "a HEIF, AVIF or video file"),
    (0, b"\xff\x0a", "a JPEG XL picture"),
    (0, b"\x00\x00\x00\x0cJXL ", "a JPEG XL picture"),
    (0, b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"),
    (0, b"\x00\x00\x01\x00", "an icon file"),
)


def recognise_format(data: bytes, *, name: str) -> FileFormat:
    """The format of these bytes, by content: a file's name proves nothing. Raises ArtworkError."""
    if not data:
        raise ArtworkError(f"{name}: the file is empty (0 bytes).", mend="Save the artwork again, or send it again.")
    found = _format_of(data)
    if found is not None:
        return found
    for offset, magic, words in _OTHER_FORMATS:
        if data[offset : offset + len(magic)] == magic:
            mend = (
                "Unpack it first (gunzip, or save a plain SVG)." if magic == b"\x1f\x8b" else f"Save it as {READABLE}."
            )
            raise ArtworkError(f"{name}: the file is {words}, which is not read.", mend=mend)
    raise ArtworkError(
        f"{name}: the file starts with the bytes {data[:8].hex(' ')}, which no known picture format does.",
        mend=f"Save the artwork as {READABLE}.",
    )


def _format_of(data: bytes) -> FileFormat | None:
    if data.startswith(_PNG_SIGNATURE):
        return "PNG"
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return "TIFF"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if data[:6] in (b"GIF87a", b"GIF89a"):
        return "GIF"
    if (
        data[:2] == b"BM"
        and len(data) >= 26
        and struct.unpack_from("<I", data, 14)[0] in (12, 40, 52, 56, 64, 108, 124)
    ):
        return "BMP"
    start = data[:65536].removeprefix(b"\xef\xbb\xbf").lstrip()
    if (
        data[:2] in (b"\xff\xfe", b"\xfe\xff")
        or (start.startswith(b"<") and b"<svg" in start)
        or b":svg" in start[:4096]
    ):
        return "SVG"
    return None


def png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Type and content of each whole PNG chunk before the first IDAT; stops without error where the file is cut.

    A chunk whose checksum is wrong is left out, as the decoder leaves it out: a damaged size would be a wrong board.
    """
    position = len(_PNG_SIGNATURE)
    while position + 8 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, position)
        if kind in (b"IDAT", b"IEND") or position + 12 + length > len(data):
            return
        content = data[position + 8 : position + 8 + length]
        if data[position + 8 + length : position + 12 + length] == struct.pack(">I", zlib.crc32(kind + content)):
            yield kind, content
        position += 12 + length


def png_resolution(data: bytes) -> tuple[float, float] | None:
    """Pixels per mm, horizontal and vertical, of a PNG's pHYs chunk (ISO/IEC 15948, 11.3.5.3), or None."""
    for kind, content in png_chunks(data):
        if kind == b"pHYs" and len(content) == 9:
            across, down, unit = struct.unpack(">IIB", content)
            return (across / 1000.0, down / 1000.0) if unit == 1 and across and down else None
    return None


def png_notes(data: bytes, *, profile_found: bool) -> list[str]:
    """Warnings on what a PNG says beyond its first picture and plain sRGB."""
    chunks = dict(png_chunks(data))
    notes = []
    if b"acTL" in chunks:
        notes.append("The PNG is animated: only its first picture is used.")
    if b"iCCP" in chunks and not profile_found:
        notes.append("The embedded ICC profile is broken: the colours are taken as sRGB.")
    described = b"sRGB" in chunks or b"iCCP" in chunks or b"cICP" in chunks
    if not described and len(chunks.get(b"gAMA", b"")) == 4:
        gamma = struct.unpack(">I", chunks[b"gAMA"])[0] / 100000.0
        if not 0.43 <= gamma <= 0.48:
            notes.append(f"The PNG states a gamma of {gamma:g} and no ICC profile: the colours are taken as sRGB.")
    # ITU-T H.273: primaries 1 and transfer function 13 are sRGB.
    if b"cICP" in chunks and chunks[b"cICP"][:2] != b"\x01\x0d":
        notes.append("The PNG states colours other than sRGB by a cICP chunk: they are taken as sRGB.")
    return notes


def tiff_extra_samples(data: bytes) -> int | None:
    """The first value of a TIFF's ExtraSamples tag (0 unspecified, 1 associated, 2 unassociated alpha), or None."""
    try:
        header = data[:16] if data[2:4] in (b"+\x00", b"\x00+") else data[:8]
        directory = TiffImagePlugin.ImageFileDirectory_v2(header)
        stream = io.BytesIO(data)
        stream.seek(directory.next)
        directory.load(stream)
        value = directory.get(338)
    except Exception:  # a directory that can't be read is the decoder's to report
        return None
    return int(value[0]) if isinstance(value, tuple) and value else None
