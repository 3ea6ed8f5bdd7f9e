"""What a backup is written to and read from: a folder, or one TAR file. Each file is hashed on its way."""

from __future__ import annotations

import hashlib
import io
import os
import secrets
import shutil
import sqlite3
import tarfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from worker.errors import BackupError, StorageError
from worker.storage import CHUNK_BYTES, flush_folder

MANIFEST = "manifest.json"
DATA = "data"
WHICH = "Name the folder or the .tar file that 'maskwright backup' made."


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """One file of a backup, by its path in the data directory."""

    path: str
    bytes: int
    sha256: str


class Hashing:
    """A file that is hashed while it is read."""

    def __init__(self, source: IO[bytes]) -> None:
        self.source = source
        self.digest = hashlib.sha256()
        self.bytes = 0

    def read(self, size: int = CHUNK_BYTES) -> bytes:
        chunk = self.source.read(size)
        self.digest.update(chunk)
        self.bytes += len(chunk)
        return chunk

    def copied(self, path: str) -> Copied:
        """What was read, under this name."""
        return Copied(path=path, bytes=self.bytes, sha256=self.digest.hexdigest())


class NewFolder:
    """A backup as a folder."""

    def __init__(self, part: Path) -> None:
        self.part = part
        self.scratch = part / "scratch.sqlite"
        part.mkdir(mode=0o700, parents=True)

    def add(self, path: str, source: Path) -> Copied:
        """Copy a file."""
        with source.open("rb") as opened:
            return write(Hashing(opened), self.part / DATA / path, path)

    def seal(self, manifest: bytes) -> None:
        """Write the manifest, last of all."""
        self.scratch.unlink()
        write(Hashing(io.BytesIO(manifest)), self.part / MANIFEST, MANIFEST)

    def remove(self) -> None:
        """Leave nothing of it."""
        shutil.rmtree(self.part, ignore_errors=True)


class NewArchive:
    """A backup as one TAR file (POSIX.1-2001, without compression: results are compressed already)."""

    def __init__(self, part: Path) -> None:
        self.part = part
        self.scratch = part.with_name(f"{part.name}.sqlite")
        part.parent.mkdir(parents=True, exist_ok=True)
        self.file = open(part, "xb", opener=private)  # noqa: SIM115 - `seal` or `remove` closes it
        self.archive = tarfile.TarFile(fileobj=self.file, mode="w", format=tarfile.PAX_FORMAT)

    def add(self, path: str, source: Path) -> Copied:
        """Copy a file."""
        with source.open("rb") as opened:
            return self._add(f"{DATA}/{path}", opened, os.fstat(opened.fileno()).st_size).copied(path)

    def _add(self, name: str, source: IO[bytes], size: int) -> Hashing:
        member = tarfile.TarInfo(name)
        member.size, member.mode, member.mtime = size, 0o600, int(time.time())
        reader = Hashing(source)
        self.archive.addfile(member, reader)
        return reader

    def seal(self, manifest: bytes) -> None:
        """Write the manifest, last of all."""
        self.scratch.unlink()
        self._add(MANIFEST, io.BytesIO(manifest), len(manifest))
        self.archive.close()
        self.file.flush()
        os.fsync(self.file.fileno())
        self.file.close()

    def remove(self) -> None:
        """Leave nothing of it."""
        self.file.close()
        self.part.unlink(missing_ok=True)
        self.scratch.unlink(missing_ok=True)


@contextmanager
def new_backup(target: Path) -> Iterator[NewFolder | NewArchive]:
    """A backup that appears at the target's place when it is whole, and not at all otherwise."""
    part = target.absolute().parent / f".{target.name}.part-{secrets.token_hex(4)}"
    into = NewArchive(part) if target.suffix == ".tar" else NewFolder(part)
    try:
        yield into
        if target.is_dir():
            target.rmdir()
        part.rename(target.absolute())
        flush_folder(target.absolute().parent)
    finally:
        into.remove()


def private(path: str, flags: int) -> int:
    """How a file is opened that its owner alone may read."""
    return os.open(path, flags, 0o600)


def write(source: Hashing, target: Path, path: str) -> Copied:
    """Copy to a new file that its owner alone may read; it is on disk when this returns."""
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with open(target, "xb", opener=private) as out:
        while chunk := source.read():
            out.write(chunk)
        out.flush()
        os.fsync(out.fileno())
    return source.copied(path)


class Folder:
    """A backup that is a folder, to be read."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def open(self, name: str) -> IO[bytes]:
        """A file of it. Raises FileNotFoundError."""
        return (self.path / name).open("rb")


class Archive:
    """A backup that is a TAR file, to be read."""

    def __init__(self, archive: tarfile.TarFile) -> None:
        self.archive = archive

    def open(self, name: str) -> IO[bytes]:
        """A file of it. Raises FileNotFoundError."""
        try:
            opened = self.archive.extractfile(name)
        except KeyError as error:
            raise FileNotFoundError(name) from error
        if opened is None:
            raise FileNotFoundError(name)
        return opened


@contextmanager
def open_backup(source: Path) -> Iterator[Folder | Archive]:
    if source.is_dir():
        yield Folder(source)
        return
    try:
        archive = tarfile.TarFile(source)
    except (OSError, tarfile.TarError) as error:
        raise BackupError(f"{source} can't be read as a backup: {error}.", mend=WHICH) from error
    with archive:
        yield Archive(archive)


@contextmanager
def written() -> Iterator[None]:
    """Turn a disk's failure into one that says what to do."""
    try:
        yield
    except OSError as error:
        what = f"{error.filename or 'The disk'} can't be written: {error.strerror}."
        raise StorageError(what, mend="Free some space, or name another place.") from error
    except sqlite3.Error as error:
        raise StorageError(
            f"The database can't be copied: {error}.", mend="See to its disk, and that of the target."
        ) from error
