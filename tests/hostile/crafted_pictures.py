"""Pictures made by hand to hurt: bombs, impossible sizes, wrong beginnings, loops."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

from tests.engine.artwork.picture_files import png_chunk, png_with_chunk
from tests.hostile.crafted_svg import crafted_svg
from tests.hostile.damage import Case
from tests.hostile.sound_pictures import sound_pictures

MAGIC = {
    "PNG": b"\x89PNG\r\n\x1a\n",
    "JPEG": b"\xff\xd8\xff\xe0",
    "TIFF": b"II*\0",
    "TIFF, the other way round": b"MM\0*",
    "BigTIFF": b"II+\0\x08\0\0\0",
    "WebP": b"RIFF\x10\0\0\0WEBP",
    "BMP": b"BM",
    "GIF": b"GIF89a",
    "SVG": b'<svg xmlns="http://www.w3.org/2000/svg">',
    "PDF": b"%PDF-1.7",
    "PostScript": b"%!PS-Adobe",
    "gzip": b"\x1f\x8b\x08\0",
    "ZIP": b"PK\x03\x04",
    "HEIF": b"\0\0\0\x18ftypheic",
    "JPEG XL": b"\xff\x0a",
    "JPEG 2000": b"\0\0\0\x0cjP  ",
    "icon": b"\0\0\x01\0\x01\0",
    "program": b"\x7fELF\x02",
    "page": b"<!DOCTYPE html><html><body>",
    "letters": b"An artwork.",
    "blanks": b" \r\n\t",
    "wide letters": b"\xff\xfeh\0i\0",
}
SIDES = ((0, 20), (28, 0), (0, 0), (65535, 65535), (65535, 1), (1, 65535), (40000, 30000), (2**31 - 1, 2**31 - 1))


def crafted_pictures() -> Iterator[Case]:
    """All of them, each a few kilobytes."""
    yield from _beginnings()
    yield from _sizes()
    yield from _png()
    yield from _jpeg()
    yield from _tiff()
    yield from _webp()
    yield from _bmp()
    yield from _gif()
    yield from crafted_svg()


def _beginnings() -> Iterator[Case]:
    """Each beginning alone, before zeros, before noise, and before what follows in a file of each format."""
    noise = zlib.compress(bytes(range(256)) * 40, 9)[2:]
    for kind, magic in MAGIC.items():
        for what, rest in (("alone", b""), ("before zeros", bytes(600)), ("before noise", noise)):
            yield Case(name=f"the beginning of {kind} {what}", data=magic + rest)
        for name in ("PNG plain", "JPEG plain", "TIFF raw", "WebP plain", "BMP plain", "GIF plain", "SVG plain"):
            yield Case(name=f"the beginning of {kind} on {name}", data=magic + sound_pictures()[name][len(magic) :])
    yield Case(name="nothing", data=b"")


def _sizes() -> Iterator[Case]:
    """Each format's header stating another size than its data have; checksums are right."""
    sound = sound_pictures()
    for width, height in SIDES:
        said = f"{width} x {height}"
        yield Case(name=f"PNG of {said}", data=_png_of(width, height))
        bmp = bytearray(sound["BMP plain"])
        struct.pack_into("<ii", bmp, 18, width, height)
        yield Case(name=f"BMP of {said}", data=bytes(bmp))
        struct.pack_into("<ii", bmp, 18, -width, -height)
        yield Case(name=f"BMP of -{said}", data=bytes(bmp))
        yield Case(name=f"TIFF of {said}", data=_tiff_of({256: width, 257: height}))
        wide, high = min(width, 65535), min(height, 65535)
        jpeg = sound["JPEG plain"]
        frame = jpeg.index(b"\xff\xc0") + 5
        yield Case(name=f"JPEG of {said}", data=jpeg[:frame] + struct.pack(">HH", high, wide) + jpeg[frame + 4 :])
        gif = sound["GIF plain"]
        yield Case(name=f"GIF of {said}", data=gif[:6] + struct.pack("<HH", wide, high) + gif[10:])
        picture = gif.index(b",", 13)
        sized = gif[: picture + 5] + struct.pack("<HH", wide, high) + gif[picture + 9 :]
        yield Case(name=f"GIF with a frame of {said}", data=sized)
        yield Case(name=f"WebP of {said}", data=_webp_canvas(min(width, 2**24), min(height, 2**24)))


def _png_of(width: int, height: int, bits: int = 8, colour: int = 2, *, way: bytes = b"\0\0\0") -> bytes:
    header = struct.pack(">IIBB", width, height, bits, colour) + way
    data = zlib.compress(bytes(4096), 9)
    chunks = png_chunk(b"IHDR", header), png_chunk(b"IDAT", data), png_chunk(b"IEND", b"")
    return MAGIC["PNG"] + b"".join(chunks)


def _png() -> Iterator[Case]:
    sound = sound_pictures()["PNG plain"]
    swollen = zlib.compress(bytes(60_000_000), 9)
    for bits in (0, 1, 3, 8, 16, 32, 255):
        for colour in (0, 1, 2, 3, 4, 6, 7, 255):
            yield Case(name=f"PNG of {bits} bits, kind {colour}", data=_png_of(9, 9, bits, colour))
    for way in (b"\1\0\0", b"\0\1\0", b"\0\0\1", b"\0\0\2", b"\xff\xff\xff"):
        yield Case(name=f"PNG coded {way.hex()}", data=_png_of(9, 9, way=way))
    for kind, content in (
        (b"iCCP", b"p\0\0" + swollen),
        (b"iCCP", b"p" * 90 + b"\0\0" + zlib.compress(b"acsp" * 99)),
        (b"zTXt", b"k\0\0" + swollen),
        (b"iTXt", b"k\0\1\0\0\0" + swollen),
        (b"eXIf", b"II*\0\x08\0\0\0\xff\xff" + bytes(400)),
        (b"eXIf", b"II*\0\x08\0\0\0\1\0\x12\1\3\0\1\0\0\0\6\0\0\0\x08\0\0\0"),  # a directory that follows itself
        (b"pHYs", struct.pack(">IIB", 0, 0, 1)),
        (b"pHYs", struct.pack(">IIB", 1, 1, 1)),
        (b"pHYs", struct.pack(">IIB", 2**32 - 1, 2**32 - 1, 1)),
        (b"pHYs", b"\0" * 8),
        (b"gAMA", struct.pack(">I", 0)),
        (b"gAMA", struct.pack(">I", 2**32 - 1)),
        (b"cHRM", bytes(32)),
        (b"tRNS", b"\0" * 600),
        (b"PLTE", b"\0" * 4),
        (b"PLTE", b"\0" * 3 * 300),
        (b"IHDR", bytes(13)),
        (b"acTL", struct.pack(">II", 2**31, 0)),
        (b"cICP", b"\xff" * 4),
        (b"\0\0\0\0", b"what"),
        (b"abcd", b"x" * 70_000),
    ):
        yield Case(name=f"PNG with {len(content)} bytes of {kind!r}", data=png_with_chunk(sound, kind, content))
    many = b"".join(png_chunk(b"tEXt", b"k\0v") for _ in range(20_000))
    yield Case(name="PNG with 20,000 texts", data=sound[:33] + many + sound[33:])
    yield Case(name="PNG with a chunk of 4 GB", data=sound[:33] + b"\xff\xff\xff\xffabcd" + sound[33:])
    yield Case(name="PNG without data", data=sound[: sound.index(b"IDAT") - 4] + png_chunk(b"IEND", b""))
    yield Case(name="PNG without an end", data=sound[:-12])
    yield Case(name="PNG with more behind it", data=sound + b"<script>" * 99)
    yield Case(name="PNG twice", data=sound + sound)
    line = png_chunk(b"IDAT", zlib.compress(bytes(1 + 28 * 3) * 2, 9))
    yield Case(name="PNG with two of its rows", data=sound[: sound.index(b"IDAT") - 4] + line + png_chunk(b"IEND", b""))


def _jpeg() -> Iterator[Case]:
    sound, steps = sound_pictures()["JPEG plain"], sound_pictures()["JPEG progressive"]
    for kind in (b"\xe1", b"\xe2", b"\xed", b"\xee", b"\xfe"):
        for content in (
            b"",
            b"\0",
            b"Exif\0\0II*\0\x08\0\0\0\xff\xff",
            b"ICC_PROFILE\0\1\xff" + bytes(99),
            b"x" * 65533,
        ):
            segment = b"\xff" + kind + struct.pack(">H", len(content) + 2) + content
            name = f"JPEG with {len(content)} bytes in segment {kind.hex()}"
            yield Case(name=name, data=sound[:2] + segment + sound[2:])
    many = b"\xff\xfe\0\4ab" * 20_000
    yield Case(name="JPEG with 20,000 remarks", data=sound[:2] + many + sound[2:])
    for kind in range(0xC0, 0xD0):
        data = sound.replace(b"\xff\xc0", bytes((0xFF, kind)), 1)
        yield Case(name=f"JPEG with a frame of kind {kind:x}", data=data)
    for place, what in ((4, "bits"), (9, "components")):
        for value in (0, 1, 2, 12, 255):
            data = bytearray(sound)
            data[data.index(b"\xff\xc0") + place] = value
            yield Case(name=f"JPEG with {value} {what}", data=bytes(data))
    for marker in (b"\xff\xdb", b"\xff\xc4", b"\xff\xda"):
        at = sound.index(marker)
        yield Case(name=f"JPEG without {marker.hex()}", data=sound[:at] + sound[at + 2 + sound[at + 3] :])
        yield Case(name=f"JPEG whose {marker.hex()} is of no length", data=sound[: at + 2] + b"\0\0" + sound[at + 4 :])
    last = steps.rindex(b"\xff\xda")
    yield Case(name="JPEG with 5,000 scans", data=steps[:-2] + steps[last:-2] * 5000 + steps[-2:])
    huge = steps.index(b"\xff\xc2") + 5
    large = steps[:huge] + struct.pack(">HH", 30000, 30000) + steps[huge + 4 :]
    yield Case(name="JPEG with 500 scans of 900 megapixels", data=large[:-2] + steps[last:-2] * 500 + steps[-2:])
    yield Case(name="JPEG with an end at once", data=b"\xff\xd8\xff\xd9")
    yield Case(name="JPEG in itself", data=sound[:2] + sound + sound[2:])


def _entry(tag: int, kind: int, count: int, value: int | bytes) -> bytes:
    packed = value if isinstance(value, bytes) else struct.pack("<I", value & 0xFFFFFFFF)
    return struct.pack("<HHI", tag, kind, count & 0xFFFFFFFF) + packed


def _tiff_of(changes: dict[int, int | tuple[int, int, int]], *, further: int = 0, behind: bytes = b"") -> bytes:
    """A grey TIFF of 28 x 20 px; a tag takes another value of kind LONG, or (kind, count, value); -1 leaves it out."""
    tags: dict[int, int | tuple[int, int, int]] = {
        256: 28, 257: 20, 258: 8, 259: 1, 262: 1, 273: 8, 277: 1, 278: 20, 279: 560, **changes,
    }  # fmt: skip
    entries = [
        _entry(tag, *(value if isinstance(value, tuple) else (4, 1, value)))
        for tag, value in sorted(tags.items())
        if value != -1
    ]
    pixels = bytes(range(56)) * 10
    directory = struct.pack("<H", len(entries)) + b"".join(entries) + struct.pack("<I", further)
    return b"II*\0" + struct.pack("<I", 8 + len(pixels)) + pixels + directory + behind


def _tiff() -> Iterator[Case]:
    yield Case(name="TIFF made by hand", data=_tiff_of({}))
    most = 2**32 - 1
    for tag in (256, 257, 258, 259, 262, 273, 277, 278, 279, 282, 284, 317, 322, 323, 324, 325, 338, 339, 34675):
        for value in (-1, 0, 1, 2, 3, 7, 32, 65535, most):
            yield Case(name=f"TIFF with {value} in tag {tag}", data=_tiff_of({tag: value}))
        for kind, count in ((0, 1), (3, 65535), (4, most), (5, 1), (12, 2**28), (99, 4)):
            changes: dict[int, int | tuple[int, int, int]] = {tag: (kind, count, 8)}
            yield Case(name=f"TIFF with {count} of kind {kind} in tag {tag}", data=_tiff_of(changes))
    yield Case(name="TIFF whose pages go round", data=_tiff_of({}, further=568))
    yield Case(name="TIFF whose pages lead out", data=_tiff_of({}, further=most))
    yield Case(name="TIFF whose directory leads out", data=b"II*\0" + struct.pack("<I", most) + bytes(600))
    yield Case(name="TIFF of tiles", data=_tiff_of({273: -1, 278: -1, 279: -1, 322: 16, 323: 16, 324: 8, 325: 256}))
    yield Case(name="TIFF of huge tiles", data=_tiff_of({322: 2**31, 323: 2**31, 324: 8, 325: 256}))
    for top, bottom in ((0, 0), (1, 0), (0, 1), (1, most), (most, 1)):
        place = struct.pack("<II", top, bottom)
        at = 8 + 560 + 2 + 12 * 12 + 4
        data = _tiff_of({282: (5, 1, at), 283: (5, 1, at), 296: 2}, behind=place)
        yield Case(name=f"TIFF of {top}/{bottom} px an inch", data=data)
    for value in (b"\0\0\xc0\x7f", b"\0\0\x80\x7f", b"\1\0\0\0", b"\0\0\x80\xff"):  # NaN, infinite, the least, negative
        number = struct.unpack("<I", value)[0]
        data = _tiff_of({282: (11, 1, number), 283: (11, 1, number), 296: 2})
        yield Case(name=f"TIFF of {value.hex()} px an inch", data=data)


def _webp_canvas(width: int, height: int, flags: int = 0) -> bytes:
    sides = struct.pack("<I", max(0, width - 1))[:3] + struct.pack("<I", max(0, height - 1))[:3]
    picture = sound_pictures()["WebP plain"][12:]
    return _riff(b"VP8X" + struct.pack("<I", 10) + bytes((flags, 0, 0, 0)) + sides + picture)


def _riff(content: bytes, size: int | None = None) -> bytes:
    return b"RIFF" + struct.pack("<I", len(content) + 4 if size is None else size) + b"WEBP" + content


def _webp() -> Iterator[Case]:
    content = sound_pictures()["WebP plain"][12:]
    for size in (0, 1, 4, 12, 2**31, 2**32 - 1):
        yield Case(name=f"WebP that says {size} bytes", data=_riff(content, size))
        chunk = content[:4] + struct.pack("<I", size) + content[8:]
        yield Case(name=f"WebP with a chunk that says {size} bytes", data=_riff(chunk))
    for flags in (1, 2, 4, 8, 16, 32, 62, 255):
        yield Case(name=f"WebP with flags {flags}", data=_webp_canvas(28, 20, flags))
    frame = b"ANMF" + struct.pack("<I", 16 + len(content)) + bytes(6) + b"\x1b\0\0\x13\0\0" + bytes(4) + content
    animated = b"VP8X\x0a\0\0\0\2\0\0\0\x1b\0\0\x13\0\0ANIM\6\0\0\0\0\0\0\0\0\0"
    yield Case(name="WebP of 3,000 frames", data=_riff(animated + frame * 3000))
    far = frame.replace(bytes(6), b"\xff" * 6, 1)
    yield Case(name="WebP with a frame far off", data=_riff(animated + far))
    yield Case(name="WebP without a picture", data=_riff(animated))
    for profile in (b"", b"x", bytes(200)):
        data = b"VP8X\x0a\0\0\0\x20\0\0\0\x1b\0\0\x13\0\0ICCP" + struct.pack("<I", len(profile)) + profile
        yield Case(name=f"WebP with a profile of {len(profile)} bytes", data=_riff(data + content))


def _bmp() -> Iterator[Case]:
    for name in ("BMP plain", "BMP palette", "BMP runs"):
        sound = sound_pictures()[name]
        for place, form, what, values in (
            (10, "<I", "start", (0, 1, 14, 2**31, 2**32 - 1)),
            (14, "<I", "header", (0, 12, 16, 40, 64, 108, 124, 2**32 - 1)),
            (26, "<H", "planes", (0, 2, 65535)),
            (28, "<H", "bits", (0, 1, 2, 4, 8, 16, 24, 32, 64, 65535)),
            (30, "<I", "coding", (0, 1, 2, 3, 4, 5, 6, 99, 2**32 - 1)),
            (38, "<i", "resolution", (-(2**31), -1, 0, 1, 2**31 - 1)),
            (46, "<I", "colours", (0, 1, 256, 257, 2**31, 2**32 - 1)),
        ):
            for value in values:
                data = bytearray(sound)
                struct.pack_into(form, data, place, value)
                yield Case(name=f"{name} with {what} {value}", data=bytes(data))
    runs = sound_pictures()["BMP runs"]
    start = struct.unpack_from("<I", runs, 10)[0]
    for what, coded in (
        ("beyond its rows", b"\xff\1" * 2000),
        ("that jump out", b"\0\2\xff\xff" * 99),
        ("that end at once", b"\0\1"),
        ("of literals that end early", b"\0\xff"),
        ("of no length", b"\0\0" * 2000),
    ):
        yield Case(name=f"BMP of runs {what}", data=runs[:start] + coded)


def _gif() -> Iterator[Case]:
    gif = sound_pictures()["GIF plain"]
    picture = gif.index(b",", 13)
    for size in (0, 1, 2, 8, 9, 11, 12, 13, 255):
        at = picture + 10 + (0 if not gif[picture + 9] & 128 else 3 << ((gif[picture + 9] & 7) + 1))
        yield Case(name=f"GIF of codes of {size} bits", data=gif[:at] + bytes((size,)) + gif[at + 1 :])
    frame = gif[picture:-1]
    yield Case(name="GIF of 3,000 frames", data=gif[:picture] + frame * 3000 + b";")
    yield Case(name="GIF with 30,000 remarks", data=gif[:picture] + b"!\xfe\1x\0" * 30_000 + gif[picture:])
    yield Case(name="GIF without a frame", data=gif[:picture] + b";")
    yield Case(name="GIF without an end", data=gif[:-1])
    yield Case(name="GIF with an extension that never ends", data=gif[:picture] + b"!\xff" + b"\xff" * 9000)
    away = frame[:1] + struct.pack("<HH", 60000, 60000) + frame[5:]
    yield Case(name="GIF with a frame far off", data=gif[:picture] + away + b";")
    yield Case(name="GIF without colours", data=gif[:10] + bytes((gif[10] & 127,)) + gif[11:13] + gif[picture:])
