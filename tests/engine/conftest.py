"""Colour tables are dear to make and depend on the finishes alone, so all tests of the engine share them."""

from __future__ import annotations

from pathlib import Path

import pytest

from worker.table_folder import TableFolder


class MemoryTables:
    """A TableStore in memory, and in a folder too where one is given."""

    def __init__(self, folder: Path | None = None) -> None:
        self.kept: dict[str, bytes] = {}
        self.folder = TableFolder(folder) if folder is not None else None

    def get(self, key: str) -> bytes | None:
        if key not in self.kept and self.folder is not None:
            found = self.folder.get(key)
            if found is None:
                return None
            self.kept[key] = found
        return self.kept.get(key)

    def put(self, key: str, table: bytes) -> None:
        self.kept[key] = table
        if self.folder is not None:
            self.folder.put(key, table)


@pytest.fixture(scope="session")
def tables(table_folder: Path) -> MemoryTables:
    return MemoryTables(table_folder)


@pytest.fixture
def own_tables() -> MemoryTables:
    """A store that no other test has put anything in."""
    return MemoryTables()
