"""ZIP archives whose files are stored as they are, written from front to back: into a file, or as they are sent.

The format is PKWARE's APPNOTE.TXT 6.3: 4.3.7 local header, 4.3.12 central header, 4.3.14 to 16 the ends of the list,
4.5.3 sizes beyond 32 bits. Every checksum is known before its file is written, so that no one who reads from front to
back has to guess where a file ends; and of a file that was written, its entry of the list is all that stays.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from typing import IO

OLDEST_DATE = (1980, 1, 1, 0, 0, 0)
"""The same files give the same archive: no clock in it."""

MOST_32, MOST_16 = 0xFFFFFFFF, 0xFFFF
"""A field that can't hold its value holds this, and a wider one has the value."""

PIECE_BYTES = 1 << 19

_LOCAL = struct.Struct("<4s5H3L2H")
_CENTRAL = struct.Struct("<4s6H3L5H2L")
_END, _END64, _LOCATOR = struct.Struct("<4s4H2LH"), struct.Struct("<4sQ2H2L4Q"), struct.Struct("<4sLQL")
_VERSION, _VERSION64, _UNIX = 20, 45, 3 << 8
_UTF8_NAME = 1 << 11
_MODE = 0o644 << 16
_DATE = (OLDEST_DATE[0] - 1980) << 9 | OLDEST_DATE[1] << 5 | OLDEST_DATE[2]


class StoredZip:
    """One archive: a header, then that file's bytes, for each; then the list."""

    def __init__(self, listed: IO[bytes] | None = None) -> None:
        """`listed` : an empty file to gather the list in; memory, if None."""
        self._list = io.BytesIO() if listed is None else listed
        self._count = 0
        self._at = 0

    def header(self, path: str, size: int, checksum: int) -> bytes:
        """What goes before the file's bytes, which come next. checksum : its CRC-32."""
        name = path.encode()
        wide = size >= MOST_32
        extra = struct.pack("<2H2Q", 1, 16, size, size) if wide else b""
        told = MOST_32 if wide else size
        fields = (_VERSION64 if wide else _VERSION, _UTF8_NAME, 0, 0, _DATE, checksum, told, told)
        head = _LOCAL.pack(b"PK\x03\x04", *fields, len(name), len(extra)) + name + extra
        self._note(name, size, checksum)
        self._at += len(head) + size
        return head

    def _note(self, name: bytes, size: int, checksum: int) -> None:
        sizes = (size, size) if size >= MOST_32 else ()
        offset = (self._at,) if self._at >= MOST_32 else ()
        extra = b"".join(struct.pack("<Q", value) for value in (*sizes, *offset))
        extra = struct.pack("<2H", 1, len(extra)) + extra if extra else b""
        told, at = min(size, MOST_32), min(self._at, MOST_32)
        version = _VERSION64 if extra else _VERSION
        fields = (_UNIX | version, version, _UTF8_NAME, 0, 0, _DATE, checksum, told, told, len(name), len(extra))
        self._list.write(_CENTRAL.pack(b"PK\x01\x02", *fields, 0, 0, 0, _MODE, at) + name + extra)
        self._count += 1

    def end(self) -> Iterator[bytes]:
        """The list of all files, which ends the archive; in pieces, since of many files it is long."""
        count, size, at = self._count, self._list.tell(), self._at
        wide = b""
        if count >= MOST_16 or max(size, at) >= MOST_32:
            fields = (_END64.size - 12, _UNIX | _VERSION64, _VERSION64, 0, 0, count, count, size, at)
            wide = _END64.pack(b"PK\x06\x06", *fields) + _LOCATOR.pack(b"PK\x06\x07", 0, at + size, 1)
        number = min(count, MOST_16)
        last = _END.pack(b"PK\x05\x06", 0, 0, number, number, min(size, MOST_32), min(at, MOST_32), 0)
        self._list.seek(0)
        while piece := self._list.read(PIECE_BYTES):
            yield piece
        yield wide + last


def checksum_in(header: bytes) -> int | None:
    """The checksum that a local header tells; None where it is none, or tells it only after the file."""
    if len(header) < _LOCAL.size:
        return None
    signature, _, flags, _, _, _, checksum, *_ = _LOCAL.unpack_from(header)
    return int(checksum) if signature == b"PK\x03\x04" and not flags & 0x08 else None
