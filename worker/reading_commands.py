"""The commands `maskwright fab ...` that move and edit readings: import, export, readings, override, geometry."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from worker.command_line import ALL_DONE, add_command
from worker.errors import ReadingFileError, SettingsError
from worker.reading_options import (
    add_condition_options,
    add_file_options,
    named_finishes,
    reading_defaults,
    three_numbers,
    typed_reading,
)

if TYPE_CHECKING:
    from worker.reading import Reading

PROFILE_HELP = "path to a fab profile (.toml), or the id of an installed one"

IMPORT_EXAMPLES = """\
examples:
  a CSV file that names finishes and conditions itself:
    maskwright fab import my-fab.toml readings.csv
  an instrument's file, its samples named otherwise, its values in percent:
    maskwright fab import my-fab.toml export.txt --sample 'A1=mask' --sample 'A2=gold' --geometry 45:0 --scale percent
  several files, all of one finish:
    maskwright fab import my-fab.toml gold-1.csv gold-2.csv --finish gold --origin measured --geometry 'd:8 SCI'

Files may be CSV, CGATS.17 / ISO 28178 text, or CxF3 (with the extra: pip install 'maskwright[cxf]'); the content shows
which. Reflectances are fractions, 1 for a perfect white. Options fill in what a file does not say; where a file says
otherwise, that is an error. Either all readings of all files are added or none. Readings that the profile holds already
are left out. What the profile was before is kept: see 'maskwright fab history'.
"""

EXPORT_EXAMPLES = """\
examples:
  maskwright fab export my-fab.toml --out readings.csv
  maskwright fab export my-fab.toml --finish gold --format cgats --out gold.txt

The file reads back with 'maskwright fab import' as the same readings. '--out -' prints it.
"""

READINGS_EXAMPLES = """\
examples:
  maskwright fab readings list my-fab.toml gold
  maskwright fab readings add my-fab.toml gold --lab 71.2,4.1,28.7 --illuminant D50 --observer 2 --geometry 'd:8 SCI' \\
      --origin measured --instrument 'bench sphere 2'
  maskwright fab readings drop my-fab.toml gold 0
"""

OVERRIDE_EXAMPLES = """\
examples:
  maskwright fab override my-fab.toml gold --lab 70,4,28 --illuminant D65 --observer 2 --note 'as it looks at my window'
  maskwright fab override my-fab.toml gold --clear

The readings stay, and count again when the override is taken back.
"""

GEOMETRY_EXAMPLES = """\
examples:
  maskwright fab geometry my-fab.toml gold 'd:8 SCI'
  maskwright fab geometry my-fab.toml gold --clear

Metal has another colour under another geometry, so where readings of several are held, one must be chosen.
"""


def add_reading_commands(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the commands that move and edit readings."""
    _add_import(actions)
    _add_export(actions)
    _add_readings(actions)
    _add_override(actions)
    _add_geometry(actions)


def _add_import(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(actions, "import", "add the readings of files to a fab profile", IMPORT_EXAMPLES)
    parser.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="CSV, CGATS text or CxF3")
    parser.add_argument(
        "--sample", action="append", default=[], metavar="NAME=FINISH", help="the finish of a sample; may be repeated"
    )
    parser.add_argument("--finish", default="", metavar="ID", help="the finish of all samples that --sample leaves")
    add_file_options(parser)
    add_condition_options(parser, "what holds where a file does not say")
    _add_by(parser)
    parser.set_defaults(run=_import)


def _add_export(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(actions, "export", "write the readings of a fab profile to a file", EXPORT_EXAMPLES)
    parser.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    parser.add_argument(
        "--finish", action="append", default=[], metavar="ID", help="only this finish's; may be repeated"
    )
    parser.add_argument("--format", choices=("csv", "cgats"), default="csv", help="kind of file (default: csv)")
    parser.add_argument("--out", required=True, metavar="FILE", help="file to write; must be new; - prints it")
    parser.set_defaults(run=_export)


def _add_readings(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(actions, "readings", "list, add or drop the readings of a finish", READINGS_EXAMPLES)
    steps = parser.add_subparsers(title="steps", metavar="STEP", required=True)
    lister = add_command(steps, "list", "list readings with their numbers", READINGS_EXAMPLES)
    lister.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    lister.add_argument("finish", nargs="?", default="", metavar="FINISH", help="only this finish's")
    lister.set_defaults(run=_readings_list)
    adder = add_command(steps, "add", "add one reading, typed by hand", READINGS_EXAMPLES)
    adder.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    adder.add_argument("finish", metavar="FINISH", help="id of the finish")
    colour = adder.add_mutually_exclusive_group(required=True)
    colour.add_argument("--lab", metavar="L,A,B", help="CIELAB, L* from 0 to 100")
    colour.add_argument("--xyz", metavar="X,Y,Z", help="XYZ, Y of the white at 100")
    add_condition_options(adder, "geometry, origin, illuminant and observer are needed")
    _add_by(adder)
    adder.set_defaults(run=_readings_add)
    dropper = add_command(steps, "drop", "drop one reading", READINGS_EXAMPLES)
    dropper.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    dropper.add_argument("finish", metavar="FINISH", help="id of the finish")
    dropper.add_argument("index", type=int, metavar="NUMBER", help="its number in 'readings list', from 0")
    _add_by(dropper)
    dropper.set_defaults(run=_readings_drop)


def _add_override(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(actions, "override", "set a finish's reference by hand, or take that back", OVERRIDE_EXAMPLES)
    parser.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    parser.add_argument("finish", metavar="FINISH", help="id of the finish")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--lab", metavar="L,A,B", help="CIELAB, L* from 0 to 100")
    what.add_argument("--clear", action="store_true", help="take the override back")
    parser.add_argument("--illuminant", default="", help="such as D65; needed with --lab")
    parser.add_argument("--observer", default="", help="2 or 10 degree; needed with --lab")
    parser.add_argument("--note", default="", help="why")
    _add_by(parser)
    parser.set_defaults(run=_override)


def _add_geometry(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(actions, "geometry", "choose which readings of a finish count", GEOMETRY_EXAMPLES)
    parser.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    parser.add_argument("finish", metavar="FINISH", help="id of the finish")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("geometry", nargs="?", metavar="GEOMETRY", help="the geometry that counts, as its readings say")
    what.add_argument("--clear", action="store_true", help="take the choice back")
    _add_by(parser)
    parser.set_defaults(run=_geometry)


def _add_by(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", metavar="NAME", help="who edits, for the history (default: your login name)")


def _import(given: argparse.Namespace) -> int:
    from worker.installed_fabs import fab_path, read_fab_file
    from worker.profile_edits import add_readings, new_readings
    from worker.shell_environment import read_shell_environment

    path = fab_path(given.profile, read_shell_environment())
    fab = read_fab_file(path)
    found = _read_files(given, [finish.id for finish in fab.finishes])
    fresh = new_readings(fab, found)
    names = ", ".join(file.name for file in given.files)
    for finish in dict.fromkeys(finish for finish, _ in found):
        new, all_of_it = (sum(entry[0] == finish for entry in entries) for entries in (fresh, found))
        repeated = f"; {all_of_it - new} left out, which it holds already" if new < all_of_it else ""
        print(f"{finish}: {new} reading{'s' if new != 1 else ''} added{repeated}")
    return _edit(
        path,
        lambda toml: add_readings(toml, fresh, file_name=str(path)),
        what=f"imported {len(fresh)} readings from {names}",
        by=given.by,
    )


def _read_files(given: argparse.Namespace, finishes: Sequence[str]) -> list[tuple[str, Reading]]:
    """Every reading of the files with its finish."""
    from worker.reading_files import MAX_BYTES, read_readings, to_finishes

    named = named_finishes(given.sample)
    found: list[tuple[str, Reading]] = []
    used: set[str] = set()
    for file in given.files:
        try:
            with file.open("rb") as source:
                data = source.read(MAX_BYTES + 1)
        except OSError as error:
            raise ReadingFileError(
                f"{file} can't be read: {error.strerror or error}.", mend="Check the path."
            ) from error
        readings = read_readings(data, file_name=str(file), defaults=reading_defaults(given))
        here = {name: finish for name, finish in named.items() if name in {each.finish for each in readings}}
        used.update(here)
        found += to_finishes(readings, finishes, file_name=str(file), samples=here, finish=given.finish)
    unused = [name for name in named if name not in used]
    if unused:
        raise ReadingFileError(
            f"No file has a sample {unused[0]!r}.", mend="Check the name in --sample: capitals and blanks count."
        )
    return found


def _export(given: argparse.Namespace) -> int:
    from worker.installed_fabs import find_fab
    from worker.new_file import write_new
    from worker.reading_files import NamedReading, write_cgats, write_csv
    from worker.shell_environment import read_shell_environment

    fab = find_fab(given.profile, read_shell_environment())
    for name in given.finish:
        _require_finish(name, [finish.id for finish in fab.finishes])
    readings = [
        NamedReading(finish=finish.id, reading=reading)
        for finish in fab.finishes
        if not given.finish or finish.id in given.finish
        for reading in finish.readings
    ]
    data = write_csv(readings) if given.format == "csv" else write_cgats(readings)
    if given.out == "-":
        sys.stdout.write(data.decode("utf-8"))
        return ALL_DONE
    write_new(Path(given.out), data)
    print(f"{given.out}: {len(readings)} reading{'s' if len(readings) != 1 else ''}")
    return ALL_DONE


def _require_finish(name: str, finishes: Sequence[str]) -> None:
    if name not in finishes:
        raise SettingsError(f"There is no finish {name!r}.", mend=f"The finishes are: {', '.join(finishes)}.")


def _readings_list(given: argparse.Namespace) -> int:
    from worker.installed_fabs import find_fab
    from worker.profile_edits import reading_text
    from worker.shell_environment import read_shell_environment

    fab = find_fab(given.profile, read_shell_environment())
    if given.finish:
        _require_finish(given.finish, [finish.id for finish in fab.finishes])
    for finish in fab.finishes:
        if given.finish in ("", finish.id):
            print(f"{finish.id}:")
            for index, reading in enumerate(finish.readings):
                print(f"  [{index}] {reading_text(reading)}")
    return ALL_DONE


def _readings_add(given: argparse.Namespace) -> int:
    from worker.profile_edits import add_readings

    reading = typed_reading(given, given.finish)
    path = _path(given.profile)
    return _edit(
        path,
        lambda toml: add_readings(toml, [(given.finish, reading)], file_name=str(path)),
        what=f"added a reading of {given.finish}",
        by=given.by,
    )


def _readings_drop(given: argparse.Namespace) -> int:
    from worker.profile_edits import drop_reading

    path = _path(given.profile)
    return _edit(
        path,
        lambda toml: drop_reading(toml, given.finish, given.index, file_name=str(path)),
        what=f"dropped reading {given.index} of {given.finish}",
        by=given.by,
    )


def _override(given: argparse.Namespace) -> int:
    from worker.profile_edits import clear_override, set_override
    from worker.profile_file import login_name, today
    from worker.reading import Override

    path = _path(given.profile)
    if given.clear:
        return _edit(
            path,
            lambda toml: clear_override(toml, given.finish, file_name=str(path)),
            what=f"took back the override of {given.finish}",
            by=given.by,
        )
    missing = [f"--{name}" for name in ("illuminant", "observer") if not getattr(given, name)]
    if missing:
        raise SettingsError(
            f"--lab comes without {' and '.join(missing)}.", mend="A colour holds only under its light."
        )
    override = Override(
        lab=three_numbers(given.lab, "--lab"),
        illuminant=given.illuminant.upper(),
        observer=given.observer,
        by=given.by or login_name(),
        date=today(),
        note=given.note,
    )
    return _edit(
        path,
        lambda toml: set_override(toml, given.finish, override, file_name=str(path)),
        what=f"set the reference of {given.finish} by hand",
        by=given.by,
    )


def _geometry(given: argparse.Namespace) -> int:
    from worker.profile_edits import set_geometry
    from worker.reading_files.sample import standard_geometry

    path = _path(given.profile)
    geometry = "" if given.clear else standard_geometry(given.geometry)
    return _edit(
        path,
        lambda toml: set_geometry(toml, given.finish, geometry, file_name=str(path)),
        what=f"chose geometry {geometry or 'none'} for {given.finish}",
        by=given.by,
    )


def _path(profile: str) -> Path:
    from worker.installed_fabs import fab_path
    from worker.shell_environment import read_shell_environment

    return fab_path(profile, read_shell_environment())


def _edit(path: Path, edit: Callable[[bytes], bytes], *, what: str, by: str | None) -> int:
    """Edit a profile's file and say what became of it."""
    from worker.fab_run import edited
    from worker.profile_file import edit_profile, login_name

    before, after = edit_profile(path, edit, what=what, by=login_name() if by is None else by)
    for line in edited(before, after):
        print(line)
    return ALL_DONE
