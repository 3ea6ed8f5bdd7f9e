"""Colour tables on disk."""

from __future__ import annotations

import os
import time
from pathlib import Path

from worker import table_folder
from worker.table_folder import UNFINISHED_SECONDS, TableFolder


def test_a_table_is_given_back_as_it_was_put(tmp_path: Path) -> None:
    tables = TableFolder(tmp_path / "new")
    assert tables.get("hull-1") is None
    tables.put("hull-1", b"abc")
    assert tables.get("hull-1") == b"abc"
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["hull-1.table"]


def test_a_folder_that_can_not_be_written_keeps_nothing_and_fails_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    tables = TableFolder(tmp_path / "file")
    tables.put("hull-1", b"abc")
    assert tables.get("hull-1") is None


def test_what_a_killed_process_left_goes_and_what_is_being_written_stays(tmp_path: Path) -> None:
    left, fresh = tmp_path / ".table-left", tmp_path / ".table-fresh"
    for path in (left, fresh):
        path.write_bytes(b"half")
    long_ago = time.time() - UNFINISHED_SECONDS - 1
    os.utime(left, (long_ago, long_ago))
    TableFolder(tmp_path).put("hull-1", b"abc")
    assert sorted(path.name for path in tmp_path.iterdir()) == [".table-fresh", "hull-1.table"]


def test_the_oldest_go_beyond_the_most_that_are_kept(tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr(table_folder, "MAX_TABLES", 2)
    tables = TableFolder(tmp_path)
    for age, key in enumerate(("c", "b", "a")):
        tables.put(key, b"x")
        os.utime(tmp_path / f"{key}.table", (1000 - age, 1000 - age))
    tables.put("d", b"x")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["c.table", "d.table"]
