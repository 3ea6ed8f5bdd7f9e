"""Files of this machine as one multipart request that is made as it is sent, whatever its size."""

from __future__ import annotations

import secrets
import tarfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from worker.artwork_files import SUFFIXES, add_source, named_files
from worker.errors import ArtworkError

CHUNK_BYTES = 1 << 18
_BLOCK = tarfile.BLOCKSIZE


@dataclass(frozen=True, slots=True, kw_only=True)
class OutgoingFile:
    """A file to send: its path in the collection, where it lies, and what tells whether it has changed."""

    path: str
    source: Path
    size: int
    modified_ns: int


def files_below(
    given: Sequence[Path], *, left_out: Iterable[Path | None] = (), links: bool = False
) -> list[OutgoingFile]:
    """Every file of the folders among `given` and every file named, but hidden ones and what is `left_out`.

    links : take files behind links, too. Paths are those below the folders. Raises ArtworkError where a path does not
    exist or two files have one path.
    """
    found: dict[str, Path] = {}
    by_name = set(given)
    for path, source in named_files(given, left_out):
        if source in by_name or (source.is_file() and (links or not source.is_symlink())):
            add_source(found, path, source)
    listed = []
    for path, source in found.items():
        size, modified = facts_of(source)
        if modified:
            listed.append(OutgoingFile(path=path, source=source, size=size, modified_ns=modified))
    return listed


def facts_of(path: Path) -> tuple[int, int]:
    """A file's size, and when it was changed in nanoseconds since 1970; 0, 0 where it has gone."""
    try:
        facts = path.stat()
    except OSError:
        return 0, 0
    return facts.st_size, facts.st_mtime_ns


def any_artwork(files: Iterable[OutgoingFile]) -> bool:
    """Whether one of the files is named like an artwork."""
    return any(file.source.suffix.lower() in SUFFIXES for file in files)


Parts = Sequence[tuple[str, str, bytes]]
"""Further files of a request: name of the part, name and bytes of the file."""


def multipart(
    fields: Sequence[tuple[str, str]], files: Sequence[OutgoingFile], parts: Parts = ()
) -> tuple[str, Iterator[bytes]]:
    """The Content-Type and the body of a request: fields, further files such as a manifest, the artworks as one TAR."""
    boundary = secrets.token_hex(16)

    def head(name: str, file_name: str = "") -> bytes:
        named = f'; filename="{_quoted(file_name)}"' if file_name else ""
        return f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"{named}\r\n\r\n'.encode()

    def body() -> Iterator[bytes]:
        for name, value in fields:
            yield head(name) + value.encode() + b"\r\n"
        for name, file_name, data in parts:
            yield head(name, file_name) + data + b"\r\n"
        yield head("archive", "artworks.tar")
        for file in files:
            yield from _archived(file)
        yield bytes(2 * _BLOCK) + f"\r\n--{boundary}--\r\n".encode()

    return f"multipart/form-data; boundary={boundary}", body()


def _quoted(name: str) -> str:
    """A file's name in a header, as the HTML standard escapes it there."""
    return name.replace('"', "%22").replace("\r", "%0D").replace("\n", "%0A")


def _archived(file: OutgoingFile) -> Iterator[bytes]:
    """A file as a member of a TAR archive (POSIX.1-2001)."""
    try:
        with file.source.open("rb") as source:
            member = tarfile.TarInfo(file.path)
            member.size = file.size
            yield member.tobuf(format=tarfile.PAX_FORMAT)
            left = file.size
            while left:
                chunk = source.read(min(CHUNK_BYTES, left))
                if not chunk:
                    raise ArtworkError(f"{file.source} became shorter while it was read.", mend="Send it again.")
                left -= len(chunk)
                yield chunk
            yield bytes(-file.size % _BLOCK)
    except OSError as error:
        raise ArtworkError(f"{file.source} can't be read: {error.strerror}.", mend="Check its rights.") from error
