"""Colour tables are dear to make and depend on the finishes alone, so all tests of the engine share them."""

from __future__ import annotations

import pytest


class MemoryTables:
    """A TableStore in memory."""

    def __init__(self) -> None:
        self.kept: dict[str, bytes] = {}

    def get(self, key: str) -> bytes | None:
        return self.kept.get(key)

    def put(self, key: str, table: bytes) -> None:
        self.kept[key] = table


@pytest.fixture(scope="session")
def tables() -> MemoryTables:
    return MemoryTables()


@pytest.fixture
def own_tables() -> MemoryTables:
    """A store that no other test has put anything in."""
    return MemoryTables()
