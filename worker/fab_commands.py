"""The commands `maskwright fab ...`. Each loads what it needs when it runs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from worker.command_line import ALL_DONE, SOME_FAILED, add_command


def add_fab(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `fab` and its actions to the command line."""
    epilog = "examples:\n  maskwright fab list\n  maskwright fab check my-fab.toml\n"
    parser = add_command(commands, "fab", "list the installed fab profiles, or check one", epilog)
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    _add_list(actions)
    _add_check(actions)


def _add_list(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(actions, "list", "list the installed fab profiles", "example:\n  maskwright fab list\n")
    parser.set_defaults(run=_list)


def _add_check(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    epilog = "example:\n  maskwright fab check my-fab.toml\n"
    parser = add_command(actions, "check", "read a fab profile and say what is wrong with it", epilog)
    parser.add_argument("profiles", nargs="+", type=Path, metavar="FILE", help="a fab profile (.toml)")
    parser.set_defaults(run=_check)


def _list(_: argparse.Namespace) -> int:
    from worker.installed_fabs import installed_fabs
    from worker.settings import read_environment

    failed = False
    for fab in installed_fabs(read_environment()):
        if fab.profile is not None:
            print(f"{fab.profile.id}: {fab.profile.name} ({fab.profile.fab}); {fab.path}")
        elif fab.fault is not None:
            failed = True
            print(f"failed: {fab.fault.what}\n  {fab.fault.mend}", file=sys.stderr)
    return SOME_FAILED if failed else ALL_DONE


def _check(given: argparse.Namespace) -> int:
    from worker.errors import FabProfileError
    from worker.installed_fabs import read_fab_file

    failed = False
    for path in given.profiles:
        try:
            fab = read_fab_file(path)
        except FabProfileError as error:
            failed = True
            print(f"failed: {error.what}\n  {error.mend}", file=sys.stderr)
            continue
        print(f"{path}: {fab.id}, {fab.name}; plating {fab.plating}; revision {fab.revision}")
        for finish in fab.finishes:
            grades = ", ".join(dict.fromkeys(reading.grade for reading in finish.readings))
            readings = f"{len(finish.readings)} reading{'s' if len(finish.readings) > 1 else ''} ({grades})"
            print(f"  {finish.id}: {finish.name}; {readings}; from {finish.smallest_feature_mm:g} mm")
    return SOME_FAILED if failed else ALL_DONE
