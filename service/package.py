"""A ZIP archive made as it is sent: memory stays constant, whatever the size of the files."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

OLDEST_DATE = (1980, 1, 1, 0, 0, 0)
"""The same files give the same archive: no clock in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One file of an archive. `stored` leaves it as it is: it is compressed already."""

    name: str
    size: int
    stored: bool
    chunks: Iterable[bytes]


class _Sink(io.RawIOBase):
    """Takes what the archive writes and hands it on; it can't be sought, so the archive needs no way back."""

    def __init__(self) -> None:
        self.pending: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        written = bytes(data)  # type: ignore[call-overload]
        self.pending.append(written)
        return len(written)

    def drain(self) -> bytes:
        drained = b"".join(self.pending)
        self.pending.clear()
        return drained


def zip_stream(entries: Iterable[Entry]) -> Iterator[bytes]:
    """The bytes of a ZIP archive of these entries, in order, in chunks."""
    sink = _Sink()
    with zipfile.ZipFile(sink, "w") as archive:
        for entry in entries:
            info = zipfile.ZipInfo(entry.name, OLDEST_DATE)
            info.compress_type = zipfile.ZIP_STORED if entry.stored else zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            info.file_size = entry.size
            with archive.open(info, "w") as member:
                for chunk in entry.chunks:
                    member.write(chunk)
                    yield sink.drain()
        yield sink.drain()
    yield sink.drain()
