"""The object store: a folder of this machine, and an S3 bucket (moto's server stands for it)."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import urllib3
from moto.server import ThreadedMotoServer

from tests.worker.rig import put
from worker.errors import SettingsError, StorageError, UnavailableError
from worker.settings import Environment
from worker.storage import BucketStore, FolderStore, ObjectStore, open_store


@pytest.fixture(scope="module")
def s3() -> Iterator[str]:
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    server.start()
    host, port = server.get_host_and_port()
    assert urllib3.request("PUT", f"http://{host}:{port}/bucket").status == 200
    yield f"http://{host}:{port}"
    server.stop()


@pytest.fixture(params=["folder", "bucket", "bucket with prefix"])
def store(request: pytest.FixtureRequest, tmp_path: Path, s3: str) -> ObjectStore:
    url = {"folder": "", "bucket": "s3://bucket", "bucket with prefix": "s3://bucket/some/prefix/"}[request.param]
    environment = Environment(
        data_dir=tmp_path,
        store_url=url,
        s3_endpoint=s3,
        s3_key_id="test",
        s3_secret="test",  # type: ignore[arg-type]
    )
    store = open_store(environment)
    for stored in list(store.list("a")):
        store.delete(stored.key)
    return store


def read(store: ObjectStore, key: str, start: int, end: int) -> bytes:
    return b"".join(store.read(key, start, end))


def test_what_is_put_is_read_whole_and_in_part(store: ObjectStore) -> None:
    data = bytes(range(256)) * 4096
    put(store, "a/b/c.png", data)
    assert store.open("a/b/c.png").read() == data
    assert read(store, "a/b/c.png", 0, len(data)) == data
    assert read(store, "a/b/c.png", 1000, 300000) == data[1000:300000]
    assert read(store, "a/b/c.png", 5, 5) == b""
    put(store, "a/b/c.png", b"new")
    assert store.open("a/b/c.png").read() == b"new"


def test_an_empty_object(store: ObjectStore) -> None:
    put(store, "a/empty", b"")
    assert store.open("a/empty").read() == b"" and read(store, "a/empty", 0, 0) == b""


def test_a_spooled_upload_is_kept_or_gone(store: ObjectStore) -> None:
    with store.spool() as file:
        file.write(b"artwork")
        store.keep("a/kept", file)
    with store.spool() as file:
        file.write(b"not kept")
    with pytest.raises(ZeroDivisionError), store.spool() as file:
        raise ZeroDivisionError
    assert store.open("a/kept").read() == b"artwork"
    assert [stored.key for stored in store.list("a")] == ["a/kept"]


def test_listing_and_deleting(store: ObjectStore) -> None:
    before = time.time()
    for key in ("a/1/x", "a/1/y", "a/2/x"):
        put(store, key, b"x")
    assert sorted(stored.key for stored in store.list("a")) == ["a/1/x", "a/1/y", "a/2/x"]
    assert sorted(stored.key for stored in store.list("a/1")) == ["a/1/x", "a/1/y"]
    assert all(before - 2 < stored.modified < time.time() + 2 for stored in store.list("a"))
    store.delete("a/1/x")
    store.delete("a/1/x")
    assert sorted(stored.key for stored in store.list("a")) == ["a/1/y", "a/2/x"]
    with pytest.raises(FileNotFoundError):
        store.open("a/1/x")
    with pytest.raises(FileNotFoundError):
        read(store, "a/1/x", 0, 1)


@pytest.mark.parametrize("key", ["../a", "a/../b", "/a", "a//b", "", "a/.hidden", "a\0b", "a/", "x" * 600])
def test_a_key_is_never_a_way_out(store: ObjectStore, key: str) -> None:
    for call in (lambda: put(store, key, b""), lambda: store.open(key), lambda: store.delete(key)):
        with pytest.raises(ValueError, match="key"):
            call()


def test_many_writers_of_one_key_leave_one_whole_object(store: ObjectStore) -> None:
    errors = []

    def write(letter: bytes) -> None:
        try:
            put(store, "a/same", letter * 100_000)
        except Exception as error:
            errors.append(error)

    threads = [threading.Thread(target=write, args=(bytes([65 + number]),)) for number in range(24)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    content = store.open("a/same").read()
    assert not errors and len(content) == 100_000 and len(set(content)) == 1
    assert [stored.key for stored in store.list("a")] == ["a/same"]


def test_it_answers(store: ObjectStore) -> None:
    store.check()


def test_a_bucket_that_is_away_is_said_so(tmp_path: Path) -> None:
    environment = Environment(data_dir=tmp_path, store_url="s3://bucket", s3_endpoint="http://127.0.0.1:1")
    environment = environment.model_copy(update={"s3_key_id": "x"})
    with pytest.raises(UnavailableError, match="STORE_URL"):
        open_store(environment).check()


def test_a_bucket_that_does_not_exist_is_said_so(s3: str, tmp_path: Path) -> None:
    environment = Environment(data_dir=tmp_path, store_url="s3://nothere", s3_endpoint=s3, s3_key_id="test")
    with pytest.raises(UnavailableError, match="STORE_URL"):
        put(open_store(environment), "a", b"")


@pytest.mark.parametrize("url", ["ftp://x", "s3://", "s3:bucket", "/tmp/x", "s3://UPPER"])
def test_a_wrong_address_is_said_so(url: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="STORE_URL"):
        open_store(Environment(data_dir=tmp_path, store_url=url))


def test_the_kinds_of_store(tmp_path: Path, s3: str) -> None:
    assert isinstance(open_store(Environment(data_dir=tmp_path)), FolderStore)
    assert isinstance(open_store(Environment(data_dir=tmp_path, store_url="s3://b", s3_endpoint=s3)), BucketStore)


def test_left_overs_of_a_writer_that_died_are_swept_and_never_seen(tmp_path: Path) -> None:
    store = FolderStore(tmp_path)
    put(store, "a/whole", b"x")
    left = tmp_path / "spooled" / "0123"
    left.write_bytes(b"half")
    assert [stored.key for stored in store.list("")] == ["a/whole"]
    store.sweep(time.time() - 60)
    assert left.exists()
    store.sweep(time.time() + 60)
    assert not left.exists() and store.open("a/whole").read() == b"x"


def test_an_object_is_on_disk_before_keep_returns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The order that POSIX asks for: content, folders with their names in the one above, then the file's own name."""
    done = []
    fsync, replace = os.fsync, Path.replace

    def noted_fsync(descriptor: int) -> None:
        path = Path(os.readlink(f"/proc/self/fd/{descriptor}"))
        done.append(path.name if path.is_dir() else "content")
        fsync(descriptor)

    def noted_replace(self: Path, target: Path) -> Path:
        replaced = replace(self, target)
        done.append("name")
        return replaced

    store = FolderStore(tmp_path)
    monkeypatch.setattr(os, "fsync", noted_fsync)
    monkeypatch.setattr(Path, "replace", noted_replace)
    put(store, "a/b/c", b"x")
    assert done == ["content", "objects", "a", "name", "b"]


@pytest.mark.skipif(os.getuid() != 0, reason="needs root, to mount a small disk")
def test_a_full_disk_is_said_so_and_leaves_nothing(tmp_path: Path) -> None:
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(tmp_path)], check=True)
    try:
        store = FolderStore(tmp_path)
        with pytest.raises(StorageError, match="full"):
            put(store, "a/large", bytes(2_000_000))
        with pytest.raises(StorageError, match="full"), store.spool() as file:
            file.write(bytes(2_000_000))
            file.flush()
        assert list(store.list("a")) == [] and list((tmp_path / "spooled").iterdir()) == []
        assert not [path for path in (tmp_path / "objects").rglob("*") if path.is_file()]
        put(store, "a/small", b"x")
    finally:
        subprocess.run(["umount", str(tmp_path)], check=True)
