"""Archives written from front to back, read by zipfile; the wide fields of APPNOTE.TXT 4.5.3."""

from __future__ import annotations

import io
import zipfile
import zlib

import pytest

from worker import stored_zip as room
from worker.archive_entries import accounts_agree
from worker.stored_zip import OLDEST_DATE, StoredZip, checksum_in

FILES = {"a/masks/gold.png": bytes(range(256)) * 999, "a/empty.png": b"", "a/ä.json": b"{}"}


def archived() -> bytes:
    archive = StoredZip()
    parts = [archive.header(path, len(data), zlib.crc32(data)) + data for path, data in FILES.items()]
    assert [checksum_in(part) for part in parts] == [zlib.crc32(data) for data in FILES.values()]
    return b"".join([*parts, *archive.end()])


@pytest.mark.parametrize("most", [(300, 0xFFFF), (0xFFFFFFFF, 2), (0xFFFFFFFF, 0xFFFF)])
def test_fields_that_are_too_narrow_are_wider_elsewhere(most: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    """The wide fields of APPNOTE 4.5.3, which take over at 4 GiB and 65,535 files, taken over sooner.

    A reader that knows of no other limits must still find all of it; zipfile reads what stands in the wide fields.
    """
    monkeypatch.setattr(room, "MOST_32", most[0])
    monkeypatch.setattr(room, "MOST_16", most[1])
    content = archived().replace(most[0].to_bytes(4, "little"), b"\xff" * 4)
    content = content if most[1] == 0xFFFF else content.replace(b"\x02\0\x02\0", b"\xff" * 4)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert archive.namelist() == list(FILES)
        for path, data in FILES.items():
            found = archive.getinfo(path)
            assert archive.read(found) == data and accounts_agree(archive, found)
            assert found.external_attr >> 16 == 0o644 and found.date_time == OLDEST_DATE


def test_a_checksum_that_is_not_there_is_not_made_up() -> None:
    """As with archives whose writer could not go back: APPNOTE 4.4.4, bit 3, sizes follow the file."""

    class Pipe(io.RawIOBase):
        def __init__(self) -> None:
            self.data = b""

        def writable(self) -> bool:
            return True

        def write(self, data: object) -> int:
            self.data += bytes(data)  # type: ignore[call-overload]
            return len(bytes(data))  # type: ignore[call-overload]

    pipe = Pipe()
    with zipfile.ZipFile(pipe, "w") as archive:  # type: ignore[arg-type]
        archive.writestr("a.txt", b"abc")
    assert checksum_in(pipe.data) is None
    assert checksum_in(b"PK\x03\x04") is None and checksum_in(bytes(40)) is None
