"""Colour tables kept in a folder, so that they are made once per fab revision and machine."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import time
from pathlib import Path

MAX_TABLES = 400
UNFINISHED_SECONDS = 3600.0
"""A half-written table of this age was left by a process that was killed."""
_UNFINISHED = ".table-"
_KEY = re.compile(r"[a-z0-9-]{1,120}")


class TableFolder:
    """A `TableStore` in a folder. What can't be read or written counts as not kept: a table is made again."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def get(self, key: str) -> bytes | None:
        """The table of this key, or None."""
        try:
            return self._path(key).read_bytes()
        except OSError:
            return None

    def put(self, key: str, table: bytes) -> None:
        """Keep a table; the least recently written beyond MAX_TABLES go."""
        path = self._path(key)
        with contextlib.suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            handle, temporary = tempfile.mkstemp(dir=self._folder, prefix=_UNFINISHED)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(table)
                os.replace(temporary, path)
            except OSError:
                os.unlink(temporary)
                raise
            self._forget_oldest()

    def _path(self, key: str) -> Path:
        if not _KEY.fullmatch(key):
            raise ValueError(f"table key {key!r}")
        return self._folder / f"{key}.table"

    def _forget_oldest(self) -> None:
        for path in self._folder.glob(f"{_UNFINISHED}*"):
            with contextlib.suppress(FileNotFoundError):  # another process may take it away too
                if path.stat().st_mtime < time.time() - UNFINISHED_SECONDS:
                    path.unlink()
        kept = list(self._folder.glob("*.table"))
        if len(kept) <= MAX_TABLES:
            return
        for path in sorted(kept, key=lambda path: path.stat().st_mtime)[: len(kept) - MAX_TABLES]:
            path.unlink(missing_ok=True)
