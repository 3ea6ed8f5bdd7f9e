"""A ZIP archive's two accounts of a file: its list of contents, and the header before the file's own bytes."""

from __future__ import annotations

import struct
import zipfile

_HEADER = struct.Struct("<4s5HLLL")
"""Local file header up to its sizes (APPNOTE 4.3.7): signature, version, flags, method, time, date, CRC, sizes."""
_SIZES_FOLLOW = 0x08
_ZIP64 = 0xFFFFFFFF


def accounts_agree(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bool:
    """Whether both tell the same checksum, sizes and method. zipfile reads the list alone: a damaged one may make an
    empty file of any."""
    source = archive.fp
    assert source is not None
    at = source.tell()
    source.seek(entry.header_offset)
    raw = source.read(_HEADER.size)
    source.seek(at)
    if len(raw) < _HEADER.size:
        return False
    _, _, flags, method, _, _, checksum, packed, size = _HEADER.unpack(raw)
    if method != entry.compress_type:
        return False
    if flags & _SIZES_FOLLOW or _ZIP64 in (packed, size):
        return True
    return bool((checksum, packed, size) == (entry.CRC, entry.compress_size, entry.file_size))
