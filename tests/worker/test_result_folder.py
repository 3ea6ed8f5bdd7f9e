"""A result is there whole or not at all, and nothing that is no result is ever replaced."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from worker.errors import ArtworkError, ConflictError, StorageError
from worker.result_folder import check_replaceable, replace_result

OLD = [("masks/gold.png", b"old"), ("report.json", b"{}")]
NEW = [("masks/mask.png", b"new"), ("report.json", b"{1}")]


def content(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_new_result_is_written(tmp_path: Path) -> None:
    replace_result(tmp_path / "night" / "moon", OLD)
    assert content(tmp_path / "night" / "moon") == dict(OLD)


def test_an_earlier_result_is_replaced_whole(tmp_path: Path) -> None:
    replace_result(tmp_path / "moon", OLD)
    replace_result(tmp_path / "moon", NEW)
    assert content(tmp_path) == {f"moon/{name}": data for name, data in NEW}


@pytest.mark.parametrize("error", [ArtworkError("It broke.", mend="Mend it."), KeyboardInterrupt()])
def test_what_breaks_leaves_the_earlier_result_and_nothing_else(tmp_path: Path, error: BaseException) -> None:
    replace_result(tmp_path / "moon", OLD)

    def broken() -> Iterator[tuple[str, bytes]]:
        yield NEW[0]
        raise error

    with pytest.raises(type(error)):
        replace_result(tmp_path / "moon", broken())
    assert content(tmp_path) == {f"moon/{name}": data for name, data in OLD}
    assert [path.name for path in tmp_path.iterdir()] == ["moon"]


def test_a_rename_that_fails_brings_the_earlier_result_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    replace_result(tmp_path / "moon", OLD)
    rename = Path.rename

    def fails_into_place(path: Path, target: Path) -> Path:
        if ".part-" in path.name:
            raise OSError(28, "No space left on device")
        return rename(path, target)

    monkeypatch.setattr(Path, "rename", fails_into_place)
    with pytest.raises(StorageError, match="No space left"):
        replace_result(tmp_path / "moon", NEW)
    assert content(tmp_path) == {f"moon/{name}": data for name, data in OLD}


def test_a_run_that_was_killed_between_its_renames_is_recovered(tmp_path: Path) -> None:
    replace_result(tmp_path / "moon", OLD)
    (tmp_path / "moon").rename(tmp_path / ".moon.old")
    with pytest.raises(ArtworkError):
        replace_result(tmp_path / "moon", _failing())
    assert content(tmp_path / "moon") == dict(OLD)


def _failing() -> Iterator[tuple[str, bytes]]:
    raise ArtworkError("It broke.", mend="Mend it.")
    yield


@pytest.mark.parametrize("name", ["diary.txt", "masks.zip", "report.txt"])
def test_a_folder_with_anything_else_is_never_replaced(tmp_path: Path, name: str) -> None:
    replace_result(tmp_path / "moon", OLD)
    (tmp_path / "moon" / name).write_text("mine")
    with pytest.raises(ConflictError, match=name):
        replace_result(tmp_path / "moon", NEW)
    assert (tmp_path / "moon" / name).read_text() == "mine"
    assert (tmp_path / "moon" / "masks" / "gold.png").read_bytes() == b"old"


def test_a_folder_of_pictures_with_no_report_is_never_replaced(tmp_path: Path) -> None:
    (tmp_path / "moon").mkdir()
    (tmp_path / "moon" / "preview.png").write_bytes(b"mine")
    with pytest.raises(ConflictError, match=r"no report\.json"):
        check_replaceable(tmp_path / "moon")


def test_a_file_in_the_place_of_the_folder_is_never_replaced(tmp_path: Path) -> None:
    (tmp_path / "moon").write_text("mine")
    with pytest.raises(ConflictError):
        replace_result(tmp_path / "moon", NEW)
    assert (tmp_path / "moon").read_text() == "mine"


def test_an_empty_folder_may_be_used(tmp_path: Path) -> None:
    (tmp_path / "moon").mkdir()
    replace_result(tmp_path / "moon", NEW)
    assert content(tmp_path / "moon") == dict(NEW)


def test_a_disk_that_refuses_is_a_storage_error(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file where a folder must be")
    with pytest.raises(StorageError, match="moon"):
        replace_result(tmp_path / "out" / "moon", NEW)
