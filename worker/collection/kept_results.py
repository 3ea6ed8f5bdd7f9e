"""Results of an earlier run that still hold: asked for by the same, and whole."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from worker.result_folder import ASKED


def marked(files: Iterable[tuple[str, bytes]], mark: str) -> Iterator[tuple[str, bytes]]:
    """The files, (path, bytes), and after them one that says what was asked and which files there are."""
    sizes = {}
    for path, data in files:
        sizes[path] = len(data)
        yield path, data
    yield ASKED, json.dumps({"asked": mark, "files": sizes}, indent=1).encode()


def kept_report(target: Path, mark: str) -> dict[str, Any] | None:
    """The content of report.json in a result folder that was asked for by this mark; None where a file is gone."""
    try:
        told = json.loads((target / ASKED).read_bytes())
        if told["asked"] != mark or not all(_has(target / path, size) for path, size in told["files"].items()):
            return None
        report: dict[str, Any] = json.loads((target / "report.json").read_bytes())
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return report


def _has(path: Path, size: Any) -> bool:
    return path.is_file() and path.stat().st_size == size


class Digests:
    """The SHA-256 of files, each read once while it stays as it is."""

    def __init__(self) -> None:
        self._known: dict[Path, tuple[tuple[int, int], str]] = {}

    def of(self, path: Path) -> str:
        """Of this file; "" where it can't be read, which whoever converts it will say."""
        try:
            facts = path.stat()
            stamp = (facts.st_size, facts.st_mtime_ns)
            known = self._known.get(path)
            if known is None or known[0] != stamp:
                with path.open("rb") as file:
                    known = self._known[path] = (stamp, hashlib.file_digest(file, "sha256").hexdigest())
        except OSError:
            return ""
        return known[1]


def mark_of(fingerprint: str, more: Mapping[str, Any]) -> str:
    """What a result is known by: the fingerprint of its request, and what else decides its bytes."""
    return hashlib.sha256(json.dumps([fingerprint, dict(more)], sort_keys=True).encode()).hexdigest()
