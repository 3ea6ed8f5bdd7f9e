"""A result's archive: a ZIP that other programs read, whose files are ranges of its bytes."""

from __future__ import annotations

import hashlib
import io
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.result_archive import folder_of, write_archive

FILES = {"masks/gold.png": bytes(range(256)) * 999, "empty.png": b"", "report.json": b"{}"}


@given(st.dictionaries(st.text("abc/_-.", min_size=1, max_size=9), st.binary(max_size=300), max_size=6))
def test_every_file_is_where_the_list_says(files: dict[str, bytes]) -> None:
    target = io.BytesIO()
    written = write_archive(target, "badge.png", files.items())
    listed, content = written.files, target.getvalue()
    assert (written.bytes, written.sha256) == (len(content), hashlib.sha256(content).hexdigest())
    assert [file.path for file in listed] == list(files)
    for file in listed:
        assert content[file.start : file.start + file.bytes] == files[file.path]
        assert file.sha256 == hashlib.sha256(files[file.path]).hexdigest()


def test_it_is_a_zip_archive_for_others_too(tmp_path: Path) -> None:
    path = tmp_path / "result.zip"
    with path.open("w+b") as target:
        write_archive(target, "badge one.v2.png", FILES.items())
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        assert {name: archive.read(name) for name in archive.namelist()} == {
            f"badge one.v2/{name}": data for name, data in FILES.items()
        }
    if shutil.which("bsdtar") or shutil.which("unzip"):
        command = ["unzip", "-tq", str(path)] if shutil.which("unzip") else ["bsdtar", "-tf", str(path)]
        assert subprocess.run(command, capture_output=True).returncode == 0


def test_equal_files_make_equal_bytes() -> None:
    one, two = io.BytesIO(), io.BytesIO()
    for target in (one, two):
        write_archive(target, "a.png", FILES.items())
    assert one.getvalue() == two.getvalue()


@pytest.mark.parametrize(
    ("name", "folder"),
    [("badge.png", "badge"), ("a.b.tif", "a.b"), ("badge", "badge"), ("..", "artwork"), (".png", ".png"),
     ("../../x.png", ".._.._x"), ("a\\b.png", "a_b"), ("", "artwork")],
)  # fmt: skip
def test_the_folder_is_the_stem_and_never_a_way_out(name: str, folder: str) -> None:
    assert folder_of(name) == folder and "/" not in folder


def test_media_types_are_those_of_the_files_and_not_of_a_machine_s_list() -> None:
    # application/vnd.gerber: IANA's registry of media types (from memory). A list of mail types gives .gbr to contact
    # cards of certificates.
    names = {
        "fabrication/copper-top.gbr": "application/vnd.gerber",
        "fabrication/board.gbrjob": "application/json",
        "fabrication/holes-plated.xnc": "text/plain",
        "report.json": "application/json",
        "masks/gold.png": "image/png",
        "fabrication/what.ever-else": "application/octet-stream",
    }
    written = write_archive(io.BytesIO(), "a.png", dict.fromkeys(names, b"x").items())
    assert {file.path: file.media_type for file in written.files} == names
