"""A result as it lies in the object store: one ZIP archive, its files stored as they are.

One object is one durable write, whatever the number of files; each file is a range of its bytes; the archive itself is
what `package.zip` sends; and it tells what it holds even where the ledger is lost.
"""

from __future__ import annotations

import hashlib
import mimetypes
import zipfile
from collections.abc import Iterable
from pathlib import PurePosixPath
from typing import IO

from worker.job import JobFile

OLDEST_DATE = (1980, 1, 1, 0, 0, 0)
"""The same files give the same archive: no clock in it."""


def write_archive(target: IO[bytes], name: str, files: Iterable[tuple[str, bytes]]) -> tuple[JobFile, ...]:
    """Write files, (path, bytes), into a new ZIP archive, under one folder named like the artwork `name`.

    Returns where each file's bytes begin, its size and SHA-256. Only one file is in memory at a time.
    """
    folder = folder_of(name)
    listed = []
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for path, data in files:
            member = zipfile.ZipInfo(f"{folder}/{path}", OLDEST_DATE)
            member.external_attr = 0o644 << 16
            member.file_size = len(data)
            with archive.open(member, "w") as content:
                start = target.tell()
                content.write(data)
            listed.append(
                JobFile(
                    path=path,
                    start=start,
                    bytes=len(data),
                    sha256=hashlib.sha256(data).hexdigest(),
                    media_type=mimetypes.guess_type(path)[0] or "application/octet-stream",
                )
            )
    return tuple(listed)


def folder_of(name: str) -> str:
    """The folder in the archive of an artwork's result: its stem."""
    stem = PurePosixPath(name.replace("/", "_").replace("\\", "_")).stem
    return stem if stem.strip(".") else "artwork"
