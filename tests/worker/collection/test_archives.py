"""Archives that zipfile, tarfile and the system's own tar wrote, and hostile ones."""

from __future__ import annotations

import io
import subprocess
import tarfile
import zipfile
from pathlib import Path

import pytest

from tests.hostile.damage import broken
from tests.hostile.judging import fault_of_words
from worker.collection.archives import archived_files
from worker.errors import ArtworkError, CollectionArchiveError

FILES = {"birds/owl.png": b"owl" * 1000, "birds/wren.png": b"wren", "top.svg": b"<svg/>"}


def _zip(files: dict[str, bytes], **options: object) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, data in files.items():
            archive.writestr(path, data)
    return out.getvalue()


def _tar(files: dict[str, bytes], mode: str) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode=mode) as archive:  # type: ignore[call-overload]
        for path, data in files.items():
            member = tarfile.TarInfo(path)
            member.size = len(data)
            archive.addfile(member, io.BytesIO(data))
    return out.getvalue()


def _read(data: bytes, most: int = 10_000) -> dict[str, bytes | str]:
    found: dict[str, bytes | str] = {}
    for file in archived_files(io.BytesIO(data), name="a", most_bytes=most):
        found[file.path] = file.fault or b"".join(file.chunks())
    return found


@pytest.mark.parametrize("mode", ["zip", "w:", "w:gz", "w:bz2", "w:xz"])
def test_every_kind_is_read(mode: str) -> None:
    hidden = {"birds/.DS_Store": b"x", "__MACOSX/birds/owl.png": b"x"}
    files = {**FILES, **hidden}
    assert _read(_zip(files) if mode == "zip" else _tar(files, mode)) == FILES


def test_what_tar_itself_packs_is_read(tmp_path: Path) -> None:
    for path, data in FILES.items():
        (tmp_path / path).parent.mkdir(exist_ok=True)
        (tmp_path / path).write_bytes(data)
    packed = subprocess.run(["tar", "-C", tmp_path, "-cz", "."], check=True, capture_output=True).stdout
    assert _read(packed) == FILES


def test_links_too_large_and_encrypted_files_are_told_of() -> None:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        link = tarfile.TarInfo("link.png")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc/passwd"
        archive.addfile(link)
        large = tarfile.TarInfo("large.png")
        large.size = 20_000
        archive.addfile(large, io.BytesIO(bytes(20_000)))
    found = _read(out.getvalue())
    assert "link" in str(found["link.png"]) and "20,000" in str(found["large.png"])
    zipped = bytearray(_zip({"a.png": b"secret"}))
    for head in (zipped.index(b"PK\x03\x04") + 6, zipped.index(b"PK\x01\x02") + 8):
        zipped[head] |= 1  # bit 0 of the flags: encrypted (APPNOTE 4.4.4)
    assert _read(bytes(zipped)) == {"a.png": "is encrypted"}


def test_a_list_that_disagrees_with_its_files_is_not_believed() -> None:
    """Sizes and checksum of 0 in the list alone (APPNOTE 4.3.12): zipfile reads an empty file then."""
    data = bytearray(_zip({"a.png": b"picture" * 9}))
    at = data.index(b"PK\x01\x02")
    data[at + 10 : at + 12] = bytes(2)
    data[at + 16 : at + 28] = bytes(12)
    files = archived_files(io.BytesIO(bytes(data)), name="a", most_bytes=999)
    with pytest.raises(ArtworkError):
        list(next(files).chunks())


@pytest.mark.parametrize(
    "path", ["../a.png", "/a.png", "a/../../b.png", "..\\a.png", "a\x1b[31m.png", "a/" * 300 + "b.png"]
)
@pytest.mark.parametrize("kind", ["zip", "tar"])
def test_a_path_that_leads_out_is_refused(path: str, kind: str) -> None:
    data = _zip({path: b"x"}) if kind == "zip" else _tar({path: b"x"}, "w:")
    with pytest.raises(CollectionArchiveError, match="whose path is"):
        _read(data)


def test_a_bomb_is_stopped() -> None:
    bomb = _zip({f"{i}.png": bytes(9_000_000) for i in range(10)})
    assert len(bomb) < 100_000
    with pytest.raises(CollectionArchiveError, match="200 times"):
        _read(bomb, most=10_000_000)


@pytest.mark.parametrize("kind", ["zip", "tar", "tgz"])
def test_a_broken_archive_is_told_of_in_words(kind: str) -> None:
    sound = _zip(FILES) if kind == "zip" else _tar(FILES, "w:gz" if kind == "tgz" else "w:")
    refused = 0
    for case in broken(kind, sound, cut=20, flip=60, lose=20):
        try:
            for file in archived_files(io.BytesIO(case.data), name="a.zip", most_bytes=10_000):
                try:
                    file.fault or b"".join(file.chunks())
                except ArtworkError:
                    refused += 1
        except CollectionArchiveError as error:
            refused += 1
            assert fault_of_words(error.what, error.mend, case.data.decode("latin-1")) == "", case.name
    assert refused > 10
