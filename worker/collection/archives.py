"""The files of a ZIP or TAR archive, one after the other, within limits. Nothing is written to a disk by its names."""

from __future__ import annotations

import stat
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import IO

from worker.archive_entries import accounts_agree
from worker.collection.manifest import cleaned_path
from worker.errors import ArtworkError, CollectionArchiveError

MAX_FILES = 20_000
MAX_TIMES = 200
"""An archive unpacks to at most so many times its own size, and 64 MB."""
SPARE_BYTES = 64_000_000
MAX_PATH = 400
MEND = "Pack it anew, as a plain file."

CHUNK_BYTES = 1 << 20
_DAMAGED = (zipfile.BadZipFile, tarfile.TarError, zlib.error, EOFError, OSError, NotImplementedError, ValueError)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedFile:
    """A file of an archive. `chunks` gives its bytes, once, before the next file is asked for.

    `fault` says why it can't be taken, "" where it can. `chunks` raises ArtworkError where the file is damaged.
    """

    path: str
    chunks: Callable[[], Iterator[bytes]]
    fault: str = ""


def archived_files(archive: IO[bytes], *, name: str, most_bytes: int) -> Iterator[ArchivedFile]:
    """The files of a ZIP archive, or of a TAR archive, plain or compressed by gzip, bzip2 or xz.

    Folders, hidden files and what a Mac's archiver adds are left out.

    Parameters
    ----------
    archive : seekable, at its start.
    most_bytes : of one file, unpacked.

    Raises
    ------
    CollectionArchiveError
        It is no archive, or a broken one; a file's path leads out of it; it unpacks to too much, or holds too much.
    """
    size = archive.seek(0, 2)
    archive.seek(0)
    budget = _Budget(name, MAX_TIMES * size + SPARE_BYTES)
    if zipfile.is_zipfile(archive):
        archive.seek(0)
        yield from _zipped(archive, name, most_bytes, budget)
        return
    archive.seek(0)
    yield from _tarred(archive, name, most_bytes, budget)


class _Budget:
    """How much an archive may still unpack to."""

    def __init__(self, name: str, most: int) -> None:
        self.name, self.most, self.taken, self.files = name, most, 0, 0

    def take_file(self, path: str) -> str:
        self.files += 1
        if self.files > MAX_FILES:
            raise CollectionArchiveError(f"{self.name} holds more than {MAX_FILES:,} files.", mend="Split it.")
        parts = path.replace("\\", "/").split("/")
        if path.startswith(("/", "\\")) or ".." in parts or len(path) > MAX_PATH or not path.isprintable():
            raise CollectionArchiveError(
                f"{self.name} holds a file whose path is {path[:100]!r}.",
                mend="Pack it anew: paths below one folder, of letters that can be printed, 400 at most.",
            )
        return cleaned_path(path)

    def take(self, count: int) -> None:
        self.taken += count
        if self.taken > self.most:
            raise CollectionArchiveError(
                f"{self.name} unpacks to more than {MAX_TIMES} times its size.",
                mend="Nothing that holds pictures does: pack it anew.",
            )


def _hidden(path: str) -> bool:
    parts = path.split("/")
    return not path or parts[0] == "__MACOSX" or any(part.startswith(".") for part in parts)


def _zipped(archive: IO[bytes], name: str, most_bytes: int, budget: _Budget) -> Iterator[ArchivedFile]:
    try:
        opened = zipfile.ZipFile(archive)
    except _DAMAGED as error:
        raise _broken(name) from error
    with opened:
        for found in opened.infolist():
            if found.filename.endswith("/"):
                continue
            path = budget.take_file(found.filename)
            if _hidden(path):
                continue
            fault = ""
            if stat.S_ISLNK(found.external_attr >> 16):
                fault = "is a link, not a file"
            elif found.flag_bits & 1:
                fault = "is encrypted"
            elif found.file_size > most_bytes:
                fault = f"has {found.file_size:,} bytes, and {most_bytes:,} is the most"

            def unpacked(found: zipfile.ZipInfo = found) -> IO[bytes]:
                if not accounts_agree(opened, found):
                    raise zipfile.BadZipFile("its list and its files disagree")
                return opened.open(found)

            yield ArchivedFile(path=path, chunks=partial(_read, unpacked, budget), fault=fault)


def _tarred(archive: IO[bytes], name: str, most_bytes: int, budget: _Budget) -> Iterator[ArchivedFile]:
    try:
        with tarfile.open(fileobj=archive, mode="r:*") as opened:
            for found in opened:
                if found.isdir():
                    continue
                path = budget.take_file(found.name)
                if _hidden(path):
                    continue
                fault = "" if found.isreg() else "is a link or a device, not a file"
                if found.size > most_bytes:
                    fault = f"has {found.size:,} bytes, and {most_bytes:,} is the most"
                    budget.take(found.size)  # it is unpacked on the way to the next

                def unpacked(found: tarfile.TarInfo = found) -> IO[bytes]:
                    source = opened.extractfile(found)
                    assert source is not None  # it is a regular file
                    return source

                yield ArchivedFile(path=path, chunks=partial(_read, unpacked, budget), fault=fault)
    except _DAMAGED as error:
        raise _broken(name) from error


def _read(unpacked: Callable[[], IO[bytes]], budget: _Budget) -> Iterator[bytes]:
    try:
        with unpacked() as source:
            while chunk := source.read(CHUNK_BYTES):
                budget.take(len(chunk))
                yield chunk
    except _DAMAGED as error:
        raise ArtworkError("The file is damaged in its archive.", mend=MEND) from error


def _broken(name: str) -> CollectionArchiveError:
    return CollectionArchiveError(
        f"{name} is no ZIP or TAR archive, or is damaged.", mend="Pack it anew, as ZIP or TAR, and send it whole."
    )
