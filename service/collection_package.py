"""A collection's results as one ZIP archive, made as it is sent: in memory there is one piece, whatever its size.

What grows with the collection, its reports and the archive's list, is gathered in temporary files.
"""

from __future__ import annotations

import tempfile
import zlib
from collections.abc import AsyncIterator, Iterable, Iterator, Mapping

from starlette.concurrency import iterate_in_threadpool

from worker.errors import StorageError
from worker.job import Package
from worker.storage import ObjectStore
from worker.stored_zip import StoredZip, checksum_in

Chunk = bytes | memoryview

PIECE_BYTES = 1 << 19
"""Each piece that is sent costs a change of thread and a header of its own: small ones are gathered to so much."""
SPOOLED_BYTES = 1 << 18
"""What is gathered lies in memory up to here."""


class PackageStream:
    """One archive, in pieces."""

    def __init__(self, store: ObjectStore, folders: Mapping[str, str]) -> None:
        """`folders` : of each artwork's result, by its path."""
        self._store = store
        self._folders = folders
        self._archive = StoredZip(tempfile.SpooledTemporaryFile(SPOOLED_BYTES))  # noqa: SIM115 - it ends with the stream

    def results(self, packages: Iterable[tuple[str, Package]]) -> Iterator[Chunk]:
        """The files of every result, each in its folder. `packages` : by the artworks' paths."""
        for path, package in packages:
            yield from self._result(self._folders[path], package)

    def _result(self, folder: str, package: Package) -> Iterator[Chunk]:
        """The files of one result, whose own archive is read once, from front to back: it knows their checksums."""
        if not package.files:
            return
        last = package.files[-1]
        source = _Source(self._store.read(package.key, 0, last.start + last.bytes))
        at = 0
        for file in package.files:
            checksum = checksum_in(b"".join(source.take(file.start - at)))
            if checksum is None:
                raise StorageError(f"{package.key} is damaged before {file.path}.", mend="Run the job again.")
            yield self._archive.header(f"{folder}/{file.path}", file.bytes, checksum)
            yield from source.take(file.bytes)
            at = file.start + file.bytes

    def file(self, path: str, data: bytes) -> bytes:
        """One file more, whole."""
        return self._archive.header(path, len(data), zlib.crc32(data)) + data

    def text(self, path: str, parts: Iterable[str]) -> Iterator[bytes]:
        """A text more, that is made in parts."""
        with tempfile.SpooledTemporaryFile(SPOOLED_BYTES) as gathered:
            checksum = 0
            for part in parts:
                data = part.encode()
                checksum = zlib.crc32(data, checksum)
                gathered.write(data)
            size = gathered.tell()
            gathered.seek(0)
            yield self._archive.header(path, size, checksum)
            while piece := gathered.read(PIECE_BYTES):
                yield piece

    def end(self) -> Iterator[bytes]:
        """The archive's list of contents."""
        return self._archive.end()


class _Source:
    """Chunks from which any number of bytes is taken."""

    def __init__(self, chunks: Iterator[bytes]) -> None:
        self._chunks = chunks
        self._rest = memoryview(b"")

    def take(self, size: int) -> Iterator[Chunk]:
        while size:
            if not self._rest:
                self._rest = memoryview(next(self._chunks))
            part, self._rest = self._rest[:size], self._rest[size:]
            size -= len(part)
            yield part


async def in_pieces(chunks: Iterator[Chunk]) -> AsyncIterator[bytes]:
    """Chunks that are read off the event loop, small ones together."""
    async for piece in iterate_in_threadpool(_gathered(chunks)):
        yield piece


def _gathered(chunks: Iterator[Chunk]) -> Iterator[bytes]:
    held: list[Chunk] = []
    size = 0
    for chunk in chunks:
        held.append(chunk)
        size += len(chunk)
        if size >= PIECE_BYTES:
            yield b"".join(held)
            held.clear()
            size = 0
    if size:
        yield b"".join(held)
