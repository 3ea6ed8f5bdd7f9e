"""A profile's file is edited whole or not at all, and every earlier revision can be brought back."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.boards import FABS
from worker import profile_file
from worker.errors import ConflictError, FabProfileError, MaskwrightError, NotFoundError, StorageError
from worker.fab_profile import revision_of
from worker.profile_file import current_revision, edit_profile, history, past_profile, restore

TOML = (FABS / "alba-black.toml").read_bytes()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "my-fab.toml"
    file.write_bytes(TOML)
    return file


def marked(text: str) -> bytes:
    return TOML + f"# {text}\n".encode()


def edit(path: Path, text: str) -> None:
    edit_profile(path, lambda _: marked(text), what=f"wrote {text}", by="ann")


def test_an_edit_replaces_the_file_and_records_who_what_and_when(path: Path) -> None:
    before, after = edit_profile(path, lambda toml: toml + b"# one\n", what="wrote one", by="ann")
    assert path.read_bytes() == marked("one")
    assert (before.toml, after.toml) == (TOML, marked("one"))
    (entry,) = history(path)
    assert (entry.by, entry.what) == ("ann", "wrote one")
    assert (entry.before, entry.after) == (revision_of(TOML), revision_of(marked("one")))
    assert len(entry.at) == len("2026-11-25 10:00:00")
    assert current_revision(path) == entry.after


def test_every_revision_can_be_brought_back(path: Path) -> None:
    for text in ("one", "two", "three"):
        edit(path, text)
    for wanted in (TOML, marked("two"), marked("one"), marked("three"), TOML):
        assert restore(path, revision_of(wanted), by="bo").toml == wanted
        assert path.read_bytes() == wanted
    assert [entry.by for entry in history(path)] == ["ann"] * 3 + ["bo"] * 5
    assert past_profile(path, revision_of(marked("one"))[:6]).toml == marked("one")


def test_edits_by_hand_are_kept_too(path: Path) -> None:
    path.write_bytes(marked("by hand"))
    edit(path, "one")
    assert past_profile(path, revision_of(marked("by hand"))).toml == marked("by hand")


def test_a_broken_file_can_be_restored_and_is_kept(path: Path) -> None:
    edit(path, "one")
    path.write_bytes(b"broken = [")
    with pytest.raises(FabProfileError):
        edit(path, "two")
    assert restore(path, revision_of(TOML), by="ann").toml == TOML
    kept = path.parent / ".my-fab.toml.history" / f"{revision_of(b'broken = [')}.toml"
    assert kept.read_bytes() == b"broken = ["


def test_an_edit_that_changes_nothing_leaves_no_trace(path: Path) -> None:
    edit_profile(path, lambda toml: toml, what="nothing", by="ann")
    assert os.listdir(path.parent) == ["my-fab.toml"]
    assert history(path) == []


@pytest.mark.parametrize("edited", [b"broken = [", b"", TOML.replace(b"[[finishes]]", b"[[finish]]")])
def test_an_edit_that_breaks_the_profile_is_refused(path: Path, edited: bytes) -> None:
    with pytest.raises(FabProfileError):
        edit_profile(path, lambda _: edited, what="broke it", by="ann")
    assert path.read_bytes() == TOML
    assert os.listdir(path.parent) == ["my-fab.toml"]


def test_a_file_that_changed_meanwhile_is_not_overwritten(path: Path) -> None:
    def meanwhile(toml: bytes) -> bytes:
        path.write_bytes(marked("another's"))
        return marked("mine")

    with pytest.raises(ConflictError) as caught:
        edit_profile(path, meanwhile, what="mine", by="ann")
    assert "try again" in caught.value.mend
    assert path.read_bytes() == marked("another's")
    assert [name for name in os.listdir(path.parent) if name.endswith(".part")] == []


def test_edits_at_the_same_time_lose_nothing(path: Path) -> None:
    code = (
        "import sys, pathlib\nfrom worker.profile_file import edit_profile\n"
        "line = f'# {sys.argv[2]}\\n'.encode()\n"
        "edit_profile(pathlib.Path(sys.argv[1]), lambda toml: toml + line, what='line', by=sys.argv[2])\n"
    )
    runs = [subprocess.Popen([sys.executable, "-c", code, str(path), f"line {n}"]) for n in range(6)]
    assert [run.wait() for run in runs] == [0] * 6
    added = path.read_bytes().removeprefix(TOML).decode().splitlines()
    assert sorted(added) == [f"# line {n}" for n in range(6)]
    assert len(history(path)) == 6


def test_a_disk_that_refuses_leaves_the_file_as_it_was(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(profile_file.os, "fsync", full)
    with pytest.raises(StorageError) as caught:
        edit(path, "one")
    assert "No space left" in caught.value.what
    assert path.read_bytes() == TOML
    assert [file for file in path.parent.rglob("*") if file.suffix == ".part"] == []


def test_a_link_stays_a_link_and_rights_stay(path: Path) -> None:
    path.chmod(0o640)
    link = path.with_name("link.toml")
    link.symlink_to(path)
    edit(link, "one")
    assert link.is_symlink()
    assert path.read_bytes() == marked("one")
    assert path.stat().st_mode & 0o777 == 0o640
    assert history(path) == history(link)


@pytest.mark.parametrize("revision", ["ffffffffffffffff", "", "0e", "../../x"])
def test_an_unknown_revision(path: Path, revision: str) -> None:
    edit(path, "one")
    with pytest.raises(NotFoundError) as caught:
        restore(path, revision, by="ann")
    assert "fab history" in caught.value.mend
    assert path.read_bytes() == marked("one")


def test_a_damaged_history_says_so(path: Path) -> None:
    edit(path, "one")
    folder = path.parent / ".my-fab.toml.history"
    (folder / f"{revision_of(TOML)}.toml").write_bytes(TOML[:-10])
    with pytest.raises(StorageError) as caught:
        restore(path, revision_of(TOML), by="ann")
    assert "is damaged" in caught.value.what
    assert json.loads((folder / "edits.jsonl").read_text())["by"] == "ann"
    (folder / "edits.jsonl").write_text("{")
    with pytest.raises(StorageError, match="damaged"):
        history(path)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    for ask in (current_revision, lambda path: edit(path, "one"), lambda path: past_profile(path, "ffff")):
        with pytest.raises(MaskwrightError) as caught:
            ask(tmp_path / "none.toml")  # type: ignore[operator]
        assert "none.toml" in caught.value.what
    assert os.listdir(tmp_path) == []
