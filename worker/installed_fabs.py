"""The fab profiles that a command line can name by id: those of the installed folder, then the demo profiles."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from worker.errors import FabProfileError
from worker.fab_profile import FabProfile, read_fab_profile
from worker.shell_environment import DEFAULT_FABS_DIR, ShellEnvironment


@dataclass(frozen=True, slots=True, kw_only=True)
class InstalledFab:
    """One profile file: what it holds, or what is wrong with it."""

    path: Path
    profile: FabProfile | None
    fault: FabProfileError | None


def installed_fabs(environment: ShellEnvironment) -> Iterator[InstalledFab]:
    """Every profile file of the installed folder, then the demo profiles, where they are present."""
    folders = dict.fromkeys((environment.fabs_dir.expanduser().resolve(), DEFAULT_FABS_DIR.resolve()))
    for folder in folders:
        for path in sorted(folder.glob("*.toml")):
            try:
                yield InstalledFab(path=path, profile=read_fab_file(path), fault=None)
            except FabProfileError as fault:
                yield InstalledFab(path=path, profile=None, fault=fault)


def find_fab(name: str, environment: ShellEnvironment) -> FabProfile:
    """The profile at a path, or the installed one of this id; of two with one id the installed folder's wins.

    Raises
    ------
    FabProfileError
        Where there is none, or it is wrong.
    """
    if _is_path(name):
        return read_fab_file(Path(name))
    found = _installed(name, environment)
    assert found.profile is not None
    return found.profile


def fab_path(name: str, environment: ShellEnvironment) -> Path:
    """The file of the profile that a path or an installed id names. Raises FabProfileError as `find_fab`."""
    return Path(name) if _is_path(name) else _installed(name, environment).path


def _is_path(name: str) -> bool:
    path = Path(name)
    return path.suffix == ".toml" or path.is_file() or len(path.parts) > 1


def _installed(name: str, environment: ShellEnvironment) -> InstalledFab:
    """The installed profile of an id, which is whole."""
    listed = list(installed_fabs(environment))
    for fab in listed:
        if fab.profile is not None and fab.profile.id == name:
            return fab
        if fab.fault is not None and fab.path.stem == name:
            raise fab.fault
    known = ", ".join(fab.profile.id for fab in listed if fab.profile is not None) or "none"
    raise FabProfileError(
        f"No fab profile {name!r} is installed (installed: {known}).",
        mend=f"Name one of those, give a path to a .toml file, or put the file into {environment.fabs_dir}.",
    )


def read_fab_file(path: Path) -> FabProfile:
    """The profile in a file. Raises FabProfileError."""
    try:
        toml = path.read_bytes()
    except OSError as error:
        raise FabProfileError(
            f"Fab profile {str(path)!r} can't be read: {error.strerror or error}.", mend="Check the path."
        ) from error
    return read_fab_profile(toml, file_name=str(path))
