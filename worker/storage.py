"""The object store: the only room that knows paths and keys.

Keys are slash-separated: `artworks/<sha256>`, `inputs/<sha256>`, `results/<job>/<token>`. An object comes into being
whole: it is gathered in a spooled file, and durable when `keep` returns; no reader ever sees a part of it.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import IO, Any, BinaryIO, Protocol, cast

import obstore
from obstore.store import S3Store

from worker.errors import SettingsError, StorageError, UnavailableError
from worker.settings import Environment

CHUNK_BYTES = 256 * 1024

_KEY = re.compile(r"(?:[A-Za-z0-9_][A-Za-z0-9._-]*/)*[A-Za-z0-9_][A-Za-z0-9._-]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredObject:
    """One object: its key and when it was written, in seconds since 1970."""

    key: str
    modified: float


class ObjectStore(Protocol):
    """Bytes by key. A missing key raises FileNotFoundError; other troubles StorageError or UnavailableError."""

    def spool(self) -> Any:
        """A context manager giving a binary file to gather an upload in; it is gone afterwards unless kept."""

    def keep(self, key: str, spooled: IO[bytes]) -> None:
        """Store a spooled file, durably; it is closed by that."""

    def open(self, key: str) -> BinaryIO:
        """The object as a seekable file."""

    def read(self, key: str, start: int, end: int) -> Iterator[bytes]:
        """The bytes from `start` up to before `end`, in chunks."""

    def list(self, prefix: str) -> Iterator[StoredObject]:
        """Every object under this prefix."""

    def delete(self, key: str) -> None:
        """Remove an object; one that is not there is no error."""

    def removing(self) -> AbstractContextManager[bool]:
        """To be held while objects are removed; it gives False where none may be, since a copy is being taken."""

    def sweep(self, older_than: float) -> None:
        """Remove what writers that died before this moment left half done."""

    def check(self) -> None:
        """Raise UnavailableError when the store does not answer."""

    def free_bytes(self) -> int:
        """Free space on this machine's disk where uploads are gathered."""


def open_store(environment: Environment) -> ObjectStore:
    """The store that the environment names. Raises SettingsError."""
    if not environment.store_url:
        return FolderStore(environment.data_dir.absolute() / "store")
    match = re.fullmatch(r"s3://([a-z0-9.-]+)(?:/(.*?))?/?", environment.store_url)
    if match is None:
        raise SettingsError(
            f"STORE_URL is {environment.store_url!r}.", mend="Write s3://bucket/prefix, or leave it out for a folder."
        )
    return BucketStore(environment, match[1], match[2] or "")


def _checked(key: str) -> str:
    if not _KEY.fullmatch(key) or len(key) > 512:
        raise ValueError(f"{key!r} is not a key of the object store")
    return key


class FolderStore:
    """Objects as files in one folder of this machine."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.objects = root / "objects"
        self.spooled = root / "spooled"
        for folder in (self.objects, self.spooled):
            folder.mkdir(parents=True, exist_ok=True)

    @contextmanager
    def spool(self) -> Iterator[IO[bytes]]:
        path = self.spooled / secrets.token_hex(16)
        with _understood():
            file = path.open("x+b")
        try:
            with _room_left():
                yield file
        finally:
            with suppress(OSError):  # what could not be written can't be flushed either
                file.close()
            path.unlink(missing_ok=True)

    def keep(self, key: str, spooled: IO[bytes]) -> None:
        path = self.objects / _checked(key)
        with _understood():
            spooled.flush()
            os.utime(spooled.fileno())
            os.fsync(spooled.fileno())
            spooled.close()
            try:
                Path(spooled.name).replace(path)
            except FileNotFoundError:  # the first of its folder
                for parent in reversed(path.parents):
                    if not parent.exists():
                        parent.mkdir(exist_ok=True)
                        flush_folder(parent.parent)
                Path(spooled.name).replace(path)
            flush_folder(path.parent)

    def open(self, key: str) -> BinaryIO:
        return (self.objects / _checked(key)).open("rb")

    def read(self, key: str, start: int, end: int) -> Iterator[bytes]:
        with self.open(key) as file:
            file.seek(start)
            while start < end:
                chunk = file.read(min(CHUNK_BYTES, end - start))
                if not chunk:
                    raise StorageError(f"{key} ends early.", mend="Run the job again: the store is damaged.")
                start += len(chunk)
                yield chunk

    def list(self, prefix: str) -> Iterator[StoredObject]:
        for path in (self.objects / prefix).rglob("*"):
            with suppress(FileNotFoundError):
                if path.is_file():
                    key = path.relative_to(self.objects).as_posix()
                    yield StoredObject(key=key, modified=path.stat().st_mtime)

    def delete(self, key: str) -> None:
        path = self.objects / _checked(key)
        path.unlink(missing_ok=True)
        with suppress(OSError):  # a folder that still holds something stays
            for folder in path.parents:
                if folder.parent == self.objects:
                    break
                folder.rmdir()

    @contextmanager
    def removing(self) -> Iterator[bool]:
        with (self.root / "removing").open("a") as mark:
            try:
                fcntl.flock(mark, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                yield False
            else:
                yield True

    @contextmanager
    def copying(self) -> Iterator[None]:
        """No process removes an object of this folder meanwhile; waits for one that does so now."""
        with (self.root / "removing").open("a") as mark:
            fcntl.flock(mark, fcntl.LOCK_SH)
            yield

    def sweep(self, older_than: float) -> None:
        for path in self.spooled.iterdir():
            with suppress(FileNotFoundError):
                if path.stat().st_mtime < older_than:
                    path.unlink()

    def check(self) -> None:
        if not os.access(self.objects, os.W_OK):
            raise UnavailableError("The object store's folder can't be written.", mend="See to its rights.")

    def free_bytes(self) -> int:
        with _understood():
            return shutil.disk_usage(self.spooled).free


def flush_folder(path: Path) -> None:
    """A name is on disk only when its folder is."""
    folder = os.open(path, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


@contextmanager
def _room_left() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise StorageError("The disk of the object store is full.", mend="Free some space; ask again.") from error
        raise


@contextmanager
def _understood() -> Iterator[None]:
    try:
        with _room_left():
            yield
    except OSError as error:
        raise UnavailableError(
            f"The object store can't be written: {error.strerror}.", mend="See to its folder's rights and its disk."
        ) from error


class BucketStore:
    """Objects in an S3 bucket, under a prefix. Its client has threads: a process that has made one may not fork."""

    def __init__(self, environment: Environment, bucket: str, prefix: str) -> None:
        config: dict[str, Any] = {"region": environment.s3_region}
        if environment.s3_key_id:
            config["access_key_id"] = environment.s3_key_id
            config["secret_access_key"] = environment.s3_secret.get_secret_value()
        if environment.s3_endpoint:
            config["endpoint"] = environment.s3_endpoint
        self.store = S3Store(
            bucket,
            prefix=prefix or None,
            config=cast(Any, config),
            client_options={"allow_http": environment.s3_endpoint.startswith("http://"), "timeout": "60s"},
            retry_config={"max_retries": 3, "retry_timeout": timedelta(seconds=20)},
        )

    @contextmanager
    def spool(self) -> Iterator[IO[bytes]]:
        with _room_left(), tempfile.TemporaryFile() as file:
            yield file

    def keep(self, key: str, spooled: IO[bytes]) -> None:
        spooled.seek(0)
        with _reached(writing=True):
            obstore.put(self.store, _checked(key), cast(Any, spooled))
        spooled.close()

    def open(self, key: str) -> BinaryIO:
        file = tempfile.TemporaryFile()  # noqa: SIM115 - the caller closes it
        with _reached():
            for chunk in obstore.get(self.store, _checked(key)).stream(min_chunk_size=CHUNK_BYTES):
                file.write(chunk)
        file.seek(0)
        return cast(BinaryIO, file)

    def read(self, key: str, start: int, end: int) -> Iterator[bytes]:
        if start >= end:
            return
        with _reached():
            found = obstore.get(self.store, _checked(key), options={"range": (start, end)})
            for chunk in found.stream(min_chunk_size=CHUNK_BYTES):
                yield bytes(chunk)

    def list(self, prefix: str) -> Iterator[StoredObject]:
        with _reached():
            for batch in obstore.list(self.store, prefix):
                for meta in batch:
                    yield StoredObject(key=meta["path"], modified=meta["last_modified"].timestamp())

    def delete(self, key: str) -> None:
        with _reached(), suppress(FileNotFoundError):
            obstore.delete(self.store, _checked(key))

    def removing(self) -> AbstractContextManager[bool]:
        return nullcontext(True)

    def sweep(self, older_than: float) -> None:
        """Nothing to do: an upload that was not finished is never visible, and the bucket's own rules drop it."""

    def check(self) -> None:
        with _reached():
            next(iter(obstore.list(self.store, "artworks/", chunk_size=1)), None)

    def free_bytes(self) -> int:
        with _understood():
            return shutil.disk_usage(tempfile.gettempdir()).free


@contextmanager
def _reached(*, writing: bool = False) -> Iterator[None]:
    try:
        yield
    except (obstore.exceptions.BaseError, OSError) as error:
        if isinstance(error, FileNotFoundError) and not writing:
            raise
        raise UnavailableError(
            "The object store does not answer as it should.", mend="Ask again shortly; see STORE_URL and the S3 keys."
        ) from error
