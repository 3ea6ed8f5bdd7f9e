"""A fab profile in a file: edited whole or not at all, with every earlier revision kept beside it.

Beside `my-fab.toml` stands the folder `.my-fab.toml.history`: `<revision>.toml` for each revision that an edit took the
place of, and `edits.jsonl`, one line for each edit: when, by whom, what, from which revision to which.
"""

from __future__ import annotations

import contextlib
import datetime
import getpass
import json
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from worker.errors import ConflictError, FabProfileError, NotFoundError, StorageError
from worker.fab_profile import FabProfile, read_fab_profile, revision_of

Edit = Callable[[bytes], bytes]
"""An edit: the profile's bytes before, its bytes after."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastEdit:
    """One edit of the history: `at` is UTC to the second, `before` and `after` are revisions."""

    at: str
    by: str
    what: str
    before: str
    after: str


def edit_profile(path: Path, edit: Edit, *, what: str, by: str) -> tuple[FabProfile, FabProfile]:
    """Edit the profile in a file, keep what it was in its history; the profile before and after.

    Where the edit changes nothing, nothing is written.

    Raises
    ------
    FabProfileError
        The profile is wrong, before or after.
    ConflictError
        The file changed while it was edited.
    StorageError
        The disk does not take it. The file is then as it was.
    """
    name = str(path)

    def checked(toml: bytes) -> bytes:
        read_fab_profile(toml, file_name=name)
        return edit(toml)

    before, after = _edit(path, checked, what, by)
    return read_fab_profile(before, file_name=name), read_fab_profile(after, file_name=name)


def restore(path: Path, revision: str, *, by: str) -> FabProfile:
    """Bring a revision back, byte for byte; the profile. What it takes the place of is kept, even if it is broken.

    Raises as `past_profile` and `edit_profile`.
    """
    past = past_profile(path, revision)
    _edit(path, lambda _: past.toml, f"restored {past.revision}", by)
    return past


def _edit(path: Path, edit: Edit, what: str, by: str) -> tuple[bytes, bytes]:
    """The bytes before and after."""
    path = path.resolve()  # a link stays a link
    with _told(path), _locked(path.parent):
        before = path.read_bytes()
        after = edit(before)
        read_fab_profile(after, file_name=str(path))
        if after != before:
            _keep(path, before)
            _replace(path, before, after)
            _record(path, PastEdit(at=_now(), by=by, what=what, before=revision_of(before), after=revision_of(after)))
    return before, after


def history(path: Path) -> list[PastEdit]:
    """The edits of a profile file, the oldest first. Raises StorageError where their record can't be read."""
    record = _folder(path.resolve()) / "edits.jsonl"
    with _told(record):
        if not record.is_file():
            return []
        lines = record.read_text(encoding="utf-8").splitlines()
    try:
        return [PastEdit(**json.loads(line)) for line in lines if line.strip()]
    except (ValueError, TypeError) as error:
        raise StorageError(
            f"{record} is damaged: {error}.", mend="Its *.toml files are whole; mend or remove the damaged line."
        ) from error


def current_revision(path: Path) -> str:
    """The revision that the file is at, even where the profile is broken. Raises FabProfileError, StorageError."""
    with _told(path):
        return revision_of(path.read_bytes())


def past_profile(path: Path, revision: str) -> FabProfile:
    """The profile as it was at a revision, which may be given by its first four digits or more.

    Raises
    ------
    NotFoundError
        The history has none, or several that begin so.
    StorageError
        Its file is damaged.
    """
    path = path.resolve()
    with _told(path):
        current = path.read_bytes()
        kept = {file.stem: file for file in sorted(_folder(path).glob("*.toml"))}
        names = {name for name in (*kept, revision_of(current)) if name.startswith(revision)}
        if len(names) != 1 or len(revision) < 4:
            raise NotFoundError(
                f"{path} has {'more than one' if names else 'no'} revision {revision!r}.",
                mend="See them with maskwright fab history, and give at least four digits.",
            )
        (name,) = names
        toml = current if name == revision_of(current) else kept[name].read_bytes()
    if revision_of(toml) != name:
        raise StorageError(f"{kept[name]} is damaged: it is not revision {name}.", mend="Restore another revision.")
    return read_fab_profile(toml, file_name=f"{path} at {name}")


def login_name() -> str:
    """Who is at the keyboard, as far as the system knows."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def today() -> str:
    """The date of today, where the machine is."""
    return datetime.date.today().isoformat()


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d %H:%M:%S")


def _folder(path: Path) -> Path:
    return path.with_name(f".{path.name}.history")


def _keep(path: Path, toml: bytes) -> None:
    """Put a revision into the history, unless it is there."""
    folder = _folder(path)
    folder.mkdir(exist_ok=True)
    kept = folder / f"{revision_of(toml)}.toml"
    if not (kept.is_file() and kept.read_bytes() == toml):
        _write_whole(kept, toml)


def _record(path: Path, edit: PastEdit) -> None:
    with (_folder(path) / "edits.jsonl").open("a", encoding="utf-8") as record:
        record.write(json.dumps(asdict(edit), ensure_ascii=False) + "\n")


def _replace(path: Path, before: bytes, after: bytes) -> None:
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        _write_synced(part, after)
        shutil.copymode(path, part)
        if path.read_bytes() != before:
            raise ConflictError(f"{path} changed while it was edited.", mend="Nothing was written: try again.")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _write_whole(path: Path, data: bytes) -> None:
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    try:
        _write_synced(part, data)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _write_synced(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """One edit in a folder at a time, where the system has such locks; a lock ends with its process."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    """What the system refuses, as an error that says what to do."""
    try:
        yield
    except FileNotFoundError as error:
        raise FabProfileError(f"There is no file {str(path)!r}.", mend="Check the path.") from error
    except OSError as error:
        raise StorageError(
            f"{path} can't be read or written: {error.strerror or error}.",
            mend="Check the rights of the file and its folder, and the free space. The profile is as it was.",
        ) from error
