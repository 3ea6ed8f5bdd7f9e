"""A copy of everything that a service keeps in its data directory, taken while it runs, and the way back.

The database is copied first, as it is at one moment; then the objects that this copy names, which nobody removes or
changes meanwhile; then the other files. A manifest with every file's SHA-256 comes last: without it there is no backup.
"""

from __future__ import annotations

import json
import secrets
import shutil
import sqlite3
import tarfile
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from worker.backup_media import (
    DATA,
    MANIFEST,
    WHICH,
    Archive,
    Copied,
    Folder,
    Hashing,
    new_backup,
    open_backup,
    write,
    written,
)
from worker.errors import BackupError, ConflictError, SettingsError, StorageError
from worker.ledger import Ledger
from worker.ledger.database import known_tables, newest_tables
from worker.storage import FolderStore

LEDGER = "ledger.sqlite"
FORMAT = 1

LEFT_OUT = frozenset(
    ("broker", "broker.sock", "lock", "logs", "store", "tables", LEDGER, f"{LEDGER}-wal", f"{LEDGER}-shm")
)
"""What a data directory also holds: wake-ups, which the ledger makes up for; locks, logs, and tables made anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """What a backup holds; `missing` are objects that the database names and the store does not have."""

    files: tuple[Copied, ...]
    missing: tuple[str, ...]
    damaged: tuple[str, ...]

    @property
    def bytes(self) -> int:
        """All of it."""
        return sum(file.bytes for file in self.files)


def back_up(data_dir: Path, target: Path) -> Backup:
    """Copy a data directory to a new folder, or to one file where the target's name ends in .tar.

    Raises
    ------
    SettingsError
        There is nothing to copy.
    ConflictError
        The target is there already.
    StorageError
        The target's disk is full or can't be written. Nothing is left there then.
    """
    if not (data_dir / LEDGER).is_file():
        raise SettingsError(f"{data_dir} holds no {LEDGER}.", mend="Name the data directory of a service: --data-dir.")
    if target.exists() and not _is_empty(target):
        raise ConflictError(f"{target} is there already.", mend="Name a new folder or file: nothing is overwritten.")
    if target.absolute().is_relative_to(data_dir.absolute()):
        raise SettingsError(
            f"{target} lies in {data_dir} itself.", mend="Name a place elsewhere, best on another disk."
        )
    store = FolderStore(data_dir.absolute() / "store")
    with written(), store.copying(), new_backup(target) as into:
        objects = _copy_database(data_dir / LEDGER, into.scratch)
        files, missing, damaged = [into.add(LEDGER, into.scratch)], [], []
        for key, sha256 in objects:
            try:
                copied = into.add(f"store/objects/{key}", store.objects / key)
            except FileNotFoundError:
                missing.append(key)
                continue
            files.append(copied)
            if sha256 is not None and copied.sha256 != sha256:
                damaged.append(key)
        for path in _others(data_dir):
            with suppress(FileNotFoundError):  # it was there a moment ago, and is needed no longer
                files.append(into.add(path.relative_to(data_dir).as_posix(), path))
        backup = Backup(files=tuple(files), missing=tuple(missing), damaged=tuple(damaged))
        into.seal(_manifest(backup))
    return backup


def restore(source: Path, data_dir: Path) -> Backup:
    """Make a data directory of a backup, which must be whole to the last byte. The directory must be new or empty.

    Raises
    ------
    ConflictError
        There is something at the directory's place.
    BackupError
        The backup is not one, is damaged, or was made by a later version.
    """
    if data_dir.exists() and not _is_empty(data_dir):
        raise ConflictError(f"{data_dir} is not empty.", mend="Name a new folder: nothing is overwritten.")
    with open_backup(source) as opened:
        manifest = _read_manifest(source, opened)
        part = data_dir.absolute().parent / f".{data_dir.name}.part-{secrets.token_hex(4)}"
        with written():
            part.mkdir(mode=0o700, parents=True)
        try:
            for copied in manifest.files:
                with written():
                    _bring_back(source, opened, copied, part)
            with written():
                if data_dir.exists():
                    data_dir.rmdir()
                part.rename(data_dir.absolute())
        finally:
            shutil.rmtree(part, ignore_errors=True)
    return manifest


def _copy_database(source: Path, target: Path) -> list[tuple[str, str | None]]:
    """Copy it as it is at one moment, by SQLite's own online backup: writers go on meanwhile.

    Returns key and SHA-256, where it is recorded, of every object that the copy names. The copy has this version's
    tables, whatever the original has.
    """
    with closing(sqlite3.connect(source, timeout=30)) as original, closing(sqlite3.connect(target)) as copy:
        original.backup(copy)
        (verdict,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
    if verdict != "ok":
        raise StorageError(f"The database {source} is damaged: {verdict}.", mend="Restore an earlier backup.")
    ledger = Ledger(f"sqlite:///{target.absolute()}", pooled=False)
    try:
        ledger.migrate()
        objects = [(result.package.key, result.package.sha256) for result in ledger.contents.results()]
        objects += [(needed.key, needed.sha256) for needed in ledger.contents.needed()]
    finally:
        ledger.close()
    with closing(sqlite3.connect(target)) as copy:
        copy.execute("PRAGMA journal_mode=DELETE")  # one file
    return objects


def _others(data_dir: Path) -> Iterator[Path]:
    """Every other plain file: keys and whatever else a version keeps there."""
    for top in sorted(data_dir.iterdir()):
        if top.name not in LEFT_OUT and not top.is_symlink():
            yield from (path for path in ([top] if top.is_file() else sorted(top.rglob("*"))) if path.is_file())


def _is_empty(path: Path) -> bool:
    return path.is_dir() and not any(path.iterdir())


def _manifest(backup: Backup) -> bytes:
    content = {
        "maskwright": version("maskwright"),
        "format": FORMAT,
        "tables": newest_tables(),
        "made": time.time(),
        **asdict(backup),
    }
    return json.dumps(content, indent=1).encode()


def _read_manifest(source: Path, opened: Folder | Archive) -> Backup:
    try:
        with opened.open(MANIFEST) as file:
            content: Mapping[str, Any] = json.load(file)
        files = tuple(Copied(**file) for file in content["files"])
        tables, form = str(content["tables"]), content["format"]
        backup = Backup(files=files, missing=tuple(content["missing"]), damaged=tuple(content["damaged"]))
    except (OSError, tarfile.TarError, ValueError, KeyError, TypeError) as error:
        raise BackupError(f"{source} has no {MANIFEST} to be read: it is no whole backup.", mend=WHICH) from error
    if form != FORMAT or tables not in known_tables():
        made = f"It was made by Maskwright {content.get('maskwright')} (tables {tables})."
        raise BackupError(
            f"{source} is of a later version. {made}", mend="Restore it with that version or a later one."
        )
    for path in (copied.path for copied in files):
        parts = path.split("/")
        if not all(parts) or {".", ".."} & set(parts) or "\0" in path:
            raise BackupError(f"{source} names the path {path!r}, which leads outside.", mend="Don't trust it.")
    return backup


def _bring_back(source: Path, opened: Folder | Archive, wanted: Copied, part: Path) -> None:
    broken = f"{wanted.path} is damaged or missing in {source}: nothing was restored."
    try:
        file = opened.open(f"{DATA}/{wanted.path}")
    except FileNotFoundError as error:
        raise BackupError(broken, mend="Take another backup.") from error
    with file:
        found = write(Hashing(file), part / wanted.path, wanted.path)
    if found != wanted:
        raise BackupError(broken, mend="Take another backup.")
