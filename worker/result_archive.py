"""A result as it lies in the object store: one ZIP archive, its files stored as they are.

One object is one durable write, whatever the number of files; each file is a range of its bytes; the archive itself is
what `package.zip` sends; and it tells what it holds even where the ledger is lost.
"""

from __future__ import annotations

import hashlib
import mimetypes
import posixpath
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import PurePosixPath
from typing import IO

from worker.job import JobFile
from worker.stored_zip import StoredZip


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenArchive:
    """An archive's files, its size in bytes, and its own SHA-256."""

    files: tuple[JobFile, ...]
    bytes: int
    sha256: str


def write_archive(target: IO[bytes], name: str, files: Iterable[tuple[str, bytes]]) -> WrittenArchive:
    """Write files, (path, bytes), into a new ZIP archive, under one folder named like the artwork `name`.

    `target` is written in order, from its start, and not read. Only one file is in memory at a time.
    """
    folder, archive, at = folder_of(name), StoredZip(), 0
    listed, whole = [], hashlib.sha256()
    for path, data in files:
        head = archive.header(f"{folder}/{path}", len(data), zlib.crc32(data))
        for part in (head, data):
            target.write(part)
            whole.update(part)
        listed.append(
            JobFile(
                path=path,
                start=at + len(head),
                bytes=len(data),
                sha256=hashlib.sha256(data).hexdigest(),
                media_type=_media_type(posixpath.splitext(path)[1]),
            )
        )
        at += len(head) + len(data)
    for part in archive.end():
        target.write(part)
        whole.update(part)
        at += len(part)
    return WrittenArchive(files=tuple(listed), bytes=at, sha256=whole.hexdigest())


_MEDIA_TYPES = {".gbr": "application/vnd.gerber", ".gbrjob": "application/json", ".xnc": "text/plain"}
"""Of files that a machine's own list knows otherwise, or not: a Gerber file as IANA has it registered (from memory),
its job file, which is JSON, and drill files, which are lines of text."""


@lru_cache(maxsize=64)
def _media_type(suffix: str) -> str:
    return _MEDIA_TYPES.get(suffix) or mimetypes.guess_type(f"file{suffix}")[0] or "application/octet-stream"


def folder_of(name: str) -> str:
    """The folder in the archive of an artwork's result: its stem."""
    stem = PurePosixPath(name.replace("/", "_").replace("\\", "_")).stem
    return stem if stem.strip(".") else "artwork"
