"""A collection's results as one ZIP archive, made as it is sent: in memory there is one chunk, whatever its size."""

from __future__ import annotations

import zipfile
from collections.abc import AsyncIterator, Iterable, Iterator, Mapping
from typing import IO, cast

from starlette.concurrency import iterate_in_threadpool

from worker.job import Package
from worker.ledger.collections import Member
from worker.result_archive import OLDEST_DATE
from worker.storage import ObjectStore


class _Outbox:
    """What the archive writes to: a file that can't be gone back in."""

    def __init__(self) -> None:
        self.chunks: list[bytes] = []

    def write(self, data: bytes) -> int:
        self.chunks.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        """Nothing is held back."""

    def taken(self) -> bytes:
        """What was written since the last call."""
        data = b"".join(self.chunks)
        self.chunks.clear()
        return data


class PackageStream:
    """One archive, in pieces."""

    def __init__(self, store: ObjectStore, folders: Mapping[str, str]) -> None:
        """`folders` : of each artwork's result, by its path."""
        self._store = store
        self._folders = folders
        self._outbox = _Outbox()
        self._archive = zipfile.ZipFile(cast(IO[bytes], self._outbox), "w", zipfile.ZIP_STORED)

    def results(self, packages: Iterable[tuple[Member, Package]]) -> Iterator[bytes]:
        """The files of every result, each in its folder."""
        for member, package in packages:
            folder = self._folders[member.path]
            for file in package.files:
                content = self._store.read(package.key, file.start, file.start + file.bytes)
                yield from self.file(f"{folder}/{file.path}", file.bytes, content)

    def file(self, path: str, size: int, content: Iterable[bytes]) -> Iterator[bytes]:
        """One file."""
        member = zipfile.ZipInfo(path, OLDEST_DATE)
        member.external_attr = 0o644 << 16
        member.file_size = size
        with self._archive.open(member, "w") as target:
            for chunk in content:
                target.write(chunk)
                yield self._outbox.taken()
        yield self._outbox.taken()

    def end(self) -> Iterator[bytes]:
        """The archive's list of contents."""
        self._archive.close()
        yield self._outbox.taken()


async def in_pieces(chunks: Iterator[bytes]) -> AsyncIterator[bytes]:
    """Chunks that are read off the event loop, empty ones left out."""
    async for chunk in iterate_in_threadpool(chunks):
        if chunk:
            yield chunk
