"""How many frames an animated file has, and how long each is shown: read from its container alone, in little memory.

Sources: GIF89a specification (CompuServe, 1990); Portable Network Graphics (Third Edition), W3C, for APNG; WebP
container specification, RFC 9649; TIFF revision 6.0 (1992). No picture is decoded here, so anybody may ask.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, NoReturn

from worker.errors import ArtworkError

MAX_FRAMES = 1_000
MAX_PIXELS = 1_000_000_000
"""Of all frames together: as many as one artwork may have."""
MAX_FRAME_PIXELS = 100_000_000
"""Of one frame of several: they are laid over one another as a whole."""
DEFAULT_MS = 100
"""Of a frame that says nothing, or 0, as browsers show it (common practice, no source)."""
_DAMAGED = "Save the animation again; or save its frames as numbered files."
_SHRINK = f"Leave frames out, so that at most {MAX_FRAMES:,} are left, or send a part of it at a time."


@dataclass(frozen=True, slots=True, kw_only=True)
class AnimationFile:
    """An animated file: its format, the size of its canvas in pixels, and how long each frame is shown.

    Pages of a TIFF state no time and may be of other sizes. `first_apart` : the file's picture is not one of its
    frames.
    """

    format: str
    width: int
    height: int
    milliseconds: tuple[int, ...]
    first_apart: bool = False

    @property
    def frames(self) -> int:
        """How many frames it has."""
        return len(self.milliseconds)


def read_animation_file(source: BinaryIO, *, name: str) -> AnimationFile | None:
    """What the container of a GIF, APNG, animated WebP or TIFF says; None where the file is nothing of these.

    A file with one picture has one frame. One that ends too early has as many frames as begin in it.

    Raises
    ------
    ArtworkError
        Too many frames or pixels, or a container that makes no sense.
    """
    reader = _Reader(source, name)
    head = reader.read_at_most(16)
    if head[:6] in (b"GIF87a", b"GIF89a"):
        found = reader.gif()
    elif head[:8] == b"\x89PNG\r\n\x1a\n":
        found = reader.png()
    elif head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        found = reader.webp()
    elif head[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        found = reader.tiff(head)
    else:
        return None
    if found.frames > 1 and found.width * found.height > MAX_FRAME_PIXELS:
        raise ArtworkError(
            f"{name}: a frame of {found.width:,} x {found.height:,} px has {found.width * found.height:,} pixels; the "
            f"limit is {MAX_FRAME_PIXELS:,}.",
            mend="Scale the animation down, or send its frames as numbered files.",
        )
    pixels = found.width * found.height * found.frames
    if pixels > MAX_PIXELS:
        raise ArtworkError(
            f"{name}: {found.frames:,} frames of {found.width:,} x {found.height:,} px are {pixels:,} pixels; the "
            f"limit is {MAX_PIXELS:,}.",
            mend="Scale the animation down, or leave frames out.",
        )
    return found


class _Reader:
    def __init__(self, source: BinaryIO, name: str) -> None:
        self.source = source
        self.name = name
        self.size = source.seek(0, io.SEEK_END)
        self.times: list[int] = []
        source.seek(0)

    def read_at_most(self, count: int) -> bytes:
        return self.source.read(count)

    def fail(self, what: str, mend: str = _DAMAGED) -> NoReturn:
        raise ArtworkError(f"{self.name}: {what}.", mend=mend)

    def frame(self, milliseconds: int) -> None:
        """One more frame."""
        self.times.append(milliseconds or DEFAULT_MS)
        if len(self.times) > MAX_FRAMES:
            self.fail(f"there are more than {MAX_FRAMES:,} frames", _SHRINK)

    def skip(self, count: int) -> None:
        self.source.seek(count, io.SEEK_CUR)

    def gif(self) -> AnimationFile:
        """Sections 18 to 27: a screen, then blocks; a Graphic Control Extension tells of the image that follows it."""
        self.source.seek(6)
        screen = self.source.read(7)
        if len(screen) < 7:
            self.fail("the GIF ends in its head")
        width, height, packed = struct.unpack("<HHB", screen[:5])
        self._colours(packed)
        delay = 0
        while kind := self.source.read(1):
            if kind == b";":
                break
            if kind == b"!":
                label = self.source.read(1)
                first = self._sub_blocks()
                if label == b"\xf9" and len(first) >= 3:
                    delay = 10 * struct.unpack_from("<H", first, 1)[0]
            elif kind == b",":
                image = self.source.read(9)
                if len(image) < 9:
                    break
                self.frame(delay)
                delay = 0
                self._colours(image[8])
                self.skip(1)
                self._sub_blocks()
            else:
                break  # what follows is no block: the frames before it are all that can be had
        if not self.times:
            self.fail("the GIF has no frame")
        return AnimationFile(format="GIF", width=width, height=height, milliseconds=tuple(self.times))

    def _colours(self, packed: int) -> None:
        if packed & 0x80:
            self.skip(3 << ((packed & 7) + 1))

    def _sub_blocks(self) -> bytes:
        """Skip data sub-blocks; the first of them."""
        first = b""
        while length := self.source.read(1):
            if length == b"\0":
                break
            if first:
                self.skip(length[0])
            else:
                first = self.source.read(length[0])
        return first

    def png(self) -> AnimationFile:
        """Chunks: acTL makes it animated, each fcTL is a frame; so is the picture where an fcTL comes before it."""
        width = height = 0
        animated = picture_seen = first_apart = False
        for kind, start, length in self._chunks():
            if kind == b"IHDR" and length >= 8:
                self.source.seek(start)
                width, height = struct.unpack(">II", self.source.read(8).ljust(8, b"\0"))
            elif kind == b"acTL":
                animated = not picture_seen
            elif kind == b"IDAT":
                first_apart = first_apart or (animated and not picture_seen and not self.times)
                picture_seen = True
            elif kind == b"fcTL" and animated and length >= 26:
                self.source.seek(start + 20)
                over, under = struct.unpack(">HH", self.source.read(4).ljust(4, b"\0"))
                self.frame(round(1000 * over / (under or 100)))
            elif kind == b"IEND":
                break
        if not self.times:
            self.frame(0)
            first_apart = False
        return AnimationFile(
            format="PNG", width=width, height=height, milliseconds=tuple(self.times), first_apart=first_apart
        )

    def _chunks(self) -> Iterator[tuple[bytes, int, int]]:
        """Kind, start and length of each."""
        place = 8
        while place + 12 <= self.size:
            self.source.seek(place)
            length, kind = struct.unpack(">I4s", self.source.read(8))
            yield kind, place + 8, length
            place += 12 + length

    def webp(self) -> AnimationFile:
        """RIFF chunks: VP8X has the canvas, each ANMF is a frame with its time in milliseconds."""
        width = height = 0
        place = 12
        while place + 8 <= self.size:
            self.source.seek(place)
            kind, length = struct.unpack("<4sI", self.source.read(8))
            data = self.source.read(min(length, 16))
            if kind == b"VP8X" and len(data) >= 10:
                width = 1 + int.from_bytes(data[4:7], "little")
                height = 1 + int.from_bytes(data[7:10], "little")
            elif kind == b"ANMF" and len(data) >= 16:
                self.frame(int.from_bytes(data[12:15], "little"))
            place += 8 + length + length % 2
        if not self.times:
            self.frame(0)
        return AnimationFile(format="WebP", width=width, height=height, milliseconds=tuple(self.times))

    def tiff(self, head: bytes) -> AnimationFile:
        """The chain of directories, each a page; BigTIFF (version 43) counts in eight bytes."""
        order = "<" if head[:2] == b"II" else ">"
        big = head[2:4] in (b"+\0", b"\0+")
        count_of, link_of, entry = (order + "Q", order + "Q", 20) if big else (order + "H", order + "I", 12)
        if len(head) < 16 and big:
            self.fail("the TIFF ends in its head")
        (place,) = struct.unpack_from(link_of, head, 8 if big else 4)
        seen: set[int] = set()
        sizes = (0, 0)
        while place:
            if place in seen:
                self.fail("the pages of the TIFF lead back to one another")
            seen.add(place)
            self.source.seek(place)
            counted = self.source.read(struct.calcsize(count_of))
            if len(counted) < struct.calcsize(count_of):
                break
            (entries,) = struct.unpack(count_of, counted)
            if not 0 < entries <= 4096:
                break
            directory = self.source.read(entries * entry)
            self.frame(0)
            sizes = max(sizes, self._page_size(directory, order, entry, big), key=lambda size: size[0] * size[1])
            link = self.source.read(struct.calcsize(link_of))
            if len(link) < struct.calcsize(link_of):
                break
            (place,) = struct.unpack(link_of, link)
        if not self.times:
            self.fail("the TIFF has no page")
        return AnimationFile(format="TIFF", width=sizes[0], height=sizes[1], milliseconds=tuple(self.times))

    def _page_size(self, directory: bytes, order: str, entry: int, big: bool) -> tuple[int, int]:
        """Tags 256 and 257, ImageWidth and ImageLength, as SHORT or LONG."""
        found = {}
        for start in range(0, len(directory) - entry + 1, entry):
            tag, kind = struct.unpack_from(order + "HH", directory, start)
            if tag in (256, 257) and kind in (3, 4):
                value = struct.unpack_from(order + ("H" if kind == 3 else "I"), directory, start + (12 if big else 8))
                found[tag] = int(value[0])
        return found.get(256, 0), found.get(257, 0)
