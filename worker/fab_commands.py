"""The commands `maskwright fab ...`. Each loads what it needs when it runs."""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from worker.command_line import ALL_DONE, SOME_FAILED, add_command
from worker.photograph_run import add_photograph
from worker.plan_run import add_family
from worker.prediction_run import add_predict
from worker.reading_commands import PROFILE_HELP, add_reading_commands

if TYPE_CHECKING:
    from worker.fab_profile import FabProfile
    from worker.shell_environment import ShellEnvironment

FAB_EXAMPLES = """\
examples:
  maskwright fab list
  maskwright fab check my-fab.toml
  maskwright fab import my-fab.toml readings.csv
  maskwright fab show my-fab.toml --conditions D50/2
  maskwright fab history my-fab.toml

Every edit of a profile's file keeps what the file was before, in a hidden folder beside it.
"""

SHOW_EXAMPLES = """\
examples:
  maskwright fab show alba-black
  maskwright fab show my-fab.toml --conditions D50/2
"""

DIFF_EXAMPLES = """\
examples:
  two profiles:
    maskwright fab diff alba-black my-fab.toml
  a profile and what it was at a revision of its history:
    maskwright fab diff e72e8320 my-fab.toml
    maskwright fab diff my-fab.toml@e72e8320 my-fab.toml@97fa3f2c
"""

HISTORY_EXAMPLES = """\
examples:
  maskwright fab history my-fab.toml
  maskwright fab restore my-fab.toml e72e8320
"""


def add_fab(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `fab` and its actions to the command line."""
    parser = add_command(commands, "fab", "list, check, show and edit fab profiles", FAB_EXAMPLES)
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    _add_list(actions)
    _add_check(actions)
    _add_show(actions)
    _add_diff(actions)
    add_reading_commands(actions)
    add_photograph(actions)
    add_predict(actions)
    add_family(actions)
    _add_history(actions)


def _add_list(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(actions, "list", "list the installed fab profiles", "example:\n  maskwright fab list\n")
    parser.set_defaults(run=_list)


def _add_check(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    epilog = (
        "example:\n  maskwright fab check my-fab.toml\n\n"
        "Warnings are for you to look at: a reference that contradicts physics, a reading that stands apart. They are\n"
        "no faults; the exit status is 1 only where a profile can't be used.\n"
    )
    parser = add_command(actions, "check", "read a fab profile and say what is wrong with it", epilog)
    parser.add_argument("profiles", nargs="+", type=Path, metavar="FILE", help="a fab profile (.toml)")
    parser.set_defaults(run=_check)


def _add_show(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(
        actions, "show", "show every finish's reference, how sure it is, and its readings", SHOW_EXAMPLES
    )
    parser.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    _add_conditions(parser)
    parser.set_defaults(run=_show)


def _add_diff(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(actions, "diff", "say what changed between two profiles or revisions", DIFF_EXAMPLES)
    for name in ("old", "new"):
        parser.add_argument(
            name,
            metavar=name.upper(),
            help="a path, an installed id, PATH@REVISION, or a revision of the other's history",
        )
    _add_conditions(parser)
    parser.set_defaults(run=_diff)


def _add_conditions(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--conditions",
        default="D65/2",
        metavar="ILLUMINANT/OBSERVER",
        help="light and observer that references are given under (default: D65/2)",
    )


def _add_history(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(actions, "history", "list the edits of a profile's file", HISTORY_EXAMPLES)
    parser.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    parser.set_defaults(run=_history)
    parser = add_command(actions, "restore", "bring back an earlier revision of a profile's file", HISTORY_EXAMPLES)
    parser.add_argument("profile", metavar="PROFILE", help=PROFILE_HELP)
    parser.add_argument("revision", metavar="REVISION", help="from 'fab history', its first four digits or more")
    parser.add_argument("--by", metavar="NAME", help="who restores, for the history (default: your login name)")
    parser.set_defaults(run=_restore)


def _list(_: argparse.Namespace) -> int:
    from worker.installed_fabs import installed_fabs
    from worker.shell_environment import read_shell_environment

    failed = False
    for fab in installed_fabs(read_shell_environment()):
        if fab.profile is not None:
            print(f"{fab.profile.id}: {fab.profile.name} ({fab.profile.fab}); {fab.path}")
        elif fab.fault is not None:
            failed = True
            print(f"failed: {fab.fault.what}\n  {fab.fault.mend}", file=sys.stderr)
    return SOME_FAILED if failed else ALL_DONE


def _check(given: argparse.Namespace) -> int:
    from worker.errors import FabProfileError
    from worker.fab_run import checked
    from worker.installed_fabs import read_fab_file

    failed = False
    for path in given.profiles:
        try:
            fab = read_fab_file(path)
            lines = list(checked(fab))
        except FabProfileError as error:
            failed = True
            print(f"failed: {error.what}\n  {error.mend}", file=sys.stderr)
            continue
        print(f"{path}: {fab.id}, {fab.name}; plating {fab.plating}; revision {fab.revision}")
        for line in lines:
            print(line)
    return SOME_FAILED if failed else ALL_DONE


def _show(given: argparse.Namespace) -> int:
    from worker.fab_run import shown
    from worker.installed_fabs import find_fab
    from worker.reading import read_viewing_conditions
    from worker.shell_environment import read_shell_environment

    conditions = read_viewing_conditions(given.conditions)
    for line in shown(find_fab(given.profile, read_shell_environment()), conditions):
        print(line)
    return ALL_DONE


def _diff(given: argparse.Namespace) -> int:
    from worker.fab_run import differences
    from worker.reading import read_viewing_conditions
    from worker.shell_environment import read_shell_environment

    environment = read_shell_environment()
    conditions = read_viewing_conditions(given.conditions)
    old = _profile(given.old, given.new, environment)
    new = _profile(given.new, given.old, environment)
    print(f"{old.id} {old.revision} -> {new.id} {new.revision}")
    lines = list(differences(old, new, conditions))
    for line in lines or [
        "no differences" if old.revision == new.revision else "no differences but in layout or comments"
    ]:
        print(line)
    return ALL_DONE


def _profile(name: str, other: str, environment: ShellEnvironment) -> FabProfile:
    """The profile that an argument of `fab diff` names; a bare revision is one of the other argument's history."""
    from worker.installed_fabs import fab_path, find_fab
    from worker.profile_file import past_profile

    path, at, revision = name.rpartition("@")
    if at:
        return past_profile(fab_path(path, environment), revision)
    if re.fullmatch(r"[0-9a-f]{4,16}", name) and not Path(name).exists():
        return past_profile(fab_path(other.partition("@")[0], environment), name)
    return find_fab(name, environment)


def _history(given: argparse.Namespace) -> int:
    from worker.installed_fabs import fab_path
    from worker.profile_file import current_revision, history
    from worker.shell_environment import read_shell_environment

    path = fab_path(given.profile, read_shell_environment())
    current, edits = current_revision(path), history(path)
    print(f"{path}: now at revision {current}")
    if edits and edits[-1].after != current:
        print("It was also edited by hand, or another way, after the last of these.")
    for edit in reversed(edits):
        print(f"{edit.after}  {edit.at} UTC  {edit.by or 'unknown'}: {edit.what}; it was {edit.before}")
    if not edits:
        print("No edits yet by this program.")
    return ALL_DONE


def _restore(given: argparse.Namespace) -> int:
    from worker.installed_fabs import fab_path
    from worker.profile_file import login_name, restore
    from worker.shell_environment import read_shell_environment

    path = fab_path(given.profile, read_shell_environment())
    fab = restore(path, given.revision, by=login_name() if given.by is None else given.by)
    print(f"{path}: {fab.id} is at revision {fab.revision} again")
    return ALL_DONE
