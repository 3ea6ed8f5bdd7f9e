"""Which revision of the program makes results: equal for equal code, so that results of two are not mixed unawares."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

_CODE = Path(__file__).resolve().parent
_OF_CODE = frozenset({".py", ".npz", ".json", ".toml"})


@cache
def program_revision() -> str:
    """The beginning of a SHA-256 over all files of the package `worker`, of which the engine is one.

    Kept for as long as the process lives: files that are replaced later are not what it runs.
    """
    whole = hashlib.sha256()
    for path in sorted(path for path in _CODE.rglob("*") if path.suffix in _OF_CODE and path.is_file()):
        data = path.read_bytes()
        whole.update(f"{path.relative_to(_CODE).as_posix()}\0{len(data)}\0".encode())
        whole.update(data)
    return whole.hexdigest()[:16]
