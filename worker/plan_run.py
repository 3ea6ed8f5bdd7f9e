"""`maskwright plan`: which fab carries an artwork best, and what to change in it. It loads the engine when it runs."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from worker.command_line import ALL_DONE, add_command
from worker.errors import ArtworkError, FabProfileError
from worker.fab_family import combinations_of, is_family, read_family
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import FOR_PLANS, SETTINGS, read_settings
from worker.plan_page import FOOTNOTE, plan_files
from worker.result_folder import write_new_folder
from worker.setting_options import option_of

if TYPE_CHECKING:
    from worker.engine.plan.plan import Plan
    from worker.shell_environment import ShellEnvironment

EPILOG = """\
examples:
  maskwright plan badge.png --width 60mm
  maskwright plan badge.svg --width 40mm --fab my-fab.toml --fab samples/families/heron.toml --out badge-plan
  maskwright plan poster.jpg --width 100mm --fab fabs/ --viewing-distance 1m --out poster-plan

Every profile is one board. They are ranked by the error that the eye is expected to see from the viewing distance; a
place is claimed only where the references of the finishes are sure enough to tell two boards apart. --fab names a
profile, a family of profiles, a folder of either, or an installed id; without it all installed ones are looked at.
With --out come plan.html, plan.json, a picture of each board, what to change in the artwork, with pictures, and the
artwork in colours that the best board has.
"""

FAMILY_EPILOG = """\
example:
  maskwright fab family samples/families/heron.toml --out my-fabs

A family is a profile with one more table, [family]: choices such as the solder mask and the plating, each with its
options. Each combination becomes a profile of its own, which 'convert' and the service take.
"""


def add_plan(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command and its options."""
    parser = add_command(commands, "plan", "rank fabs for an artwork, and say what to change in it", EPILOG)
    parser.add_argument("artwork", type=Path, metavar="ARTWORK", help="a picture")
    parser.add_argument(
        "--fab",
        action="append",
        default=[],
        metavar="FAB",
        help="a profile, a family, a folder of them, or an installed id; may be repeated (default: all installed)",
    )
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the plan; must be new")
    group = parser.add_argument_group("settings", "those of a conversion that count here")
    for name in FOR_PLANS:
        example, default, meaning = SETTINGS[name]
        text = f"{meaning}; such as {example}" + (f" (default: {default})" if default else "")
        group.add_argument(option_of(name), dest=name, metavar=name.upper(), help=text.replace("%", "%%"))
    parser.set_defaults(run=_plan)


def add_family(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `fab family`."""
    parser = add_command(actions, "family", "write every combination of a family as a profile", FAMILY_EPILOG)
    parser.add_argument("family", type=Path, metavar="FILE", help="a family of profiles (.toml)")
    parser.add_argument("--out", required=True, type=Path, metavar="DIR", help="folder for the profiles; must be new")
    parser.set_defaults(run=_family)


def _family(given: argparse.Namespace) -> int:
    profiles = read_family(_bytes(given.family), file_name=str(given.family))
    write_new_folder(given.out, combinations_of(profiles))
    for profile in profiles:
        print(f"{given.out / profile.id}.toml: {profile.name}")
    return ALL_DONE


def _plan(given: argparse.Namespace) -> int:
    from worker.shell_environment import read_shell_environment

    settings = read_settings({name: getattr(given, name) for name in FOR_PLANS})
    environment = read_shell_environment()
    fabs = planned_fabs(given.fab, environment)
    from worker.engine.plan.plan import plan_artwork

    try:
        source = given.artwork.read_bytes()
    except OSError as error:
        raise ArtworkError(
            f"{given.artwork} can't be read: {error.strerror or error}.", mend="Check the path."
        ) from error
    plan = plan_artwork(source, fabs, settings, name=given.artwork.name, threads=environment.threads_or_cores)
    if given.out is not None:
        write_new_folder(given.out, plan_files(plan, settings))
    for line in told(plan):
        print(line)
    if given.out is not None:
        print(f"{given.out / 'plan.html'}")
    return ALL_DONE


def planned_fabs(names: Sequence[str], environment: ShellEnvironment) -> tuple[FabProfile, ...]:
    """The profiles that are named, families taken apart; all installed ones where none is.

    Raises
    ------
    FabProfileError
        There is none of that name, or one is wrong.
    """
    from worker.installed_fabs import find_fab, installed_fabs

    if not names:
        found = list(installed_fabs(environment))
        for fab in found:
            if fab.fault is not None:
                print(f"left out: {fab.fault.what}\n  {fab.fault.mend}", file=sys.stderr)
        known = {fab.profile.id: fab.profile for fab in reversed(found) if fab.profile is not None}
        if not known:
            raise FabProfileError("No fab profile is installed.", mend="Name profiles: --fab my-fab.toml.")
        return tuple(reversed(list(known.values())))
    out: list[FabProfile] = []
    for name in names:
        path = Path(name)
        if path.is_dir():
            files = sorted(path.glob("*.toml"))
            if not files:
                raise FabProfileError(f"{path} holds no .toml file.", mend="Name a folder of profiles or families.")
            for file in files:
                out += _profiles_in(file)
        elif path.is_file():
            out += _profiles_in(path)
        else:
            out.append(find_fab(name, environment))
    return tuple(out)


def _profiles_in(path: Path) -> tuple[FabProfile, ...]:
    toml = _bytes(path)
    if is_family(toml):
        return read_family(toml, file_name=str(path))
    return (read_fab_profile(toml, file_name=str(path)),)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise FabProfileError(f"{path} can't be read: {error.strerror or error}.", mend="Check the path.") from error


def told(plan: Plan) -> Iterator[str]:
    """The plan in lines: a table of boards, then advice for the best."""
    longest = max(len(one.outlook.fab.id) for one in plan.ranked)
    size = f"{plan.picture.width_mm:.4g} x {plan.picture.height_mm:.4g} mm"
    yield f"{plan.name}, {size}, from {plan.viewing_distance_mm:g} mm"
    for one in plan.ranked:
        board = one.outlook
        thin = sum(risk.places for risk in board.risks)
        yield (
            f"{one.place:3d}. {board.fab.id:{longest}s} error {board.mean:5.2f} +- {board.uncertainty:.2f}, "
            f"95 % {board.p95:5.2f}, {board.edges}, {board.knee} of {len(board.fab.finishes)} finishes do most, "
            f"{100 * board.beyond_finishes:.0f} % of the colours out of reach"
            + (f", {thin} strokes too thin" if thin else "")
        )
    yield FOOTNOTE
    if plan.advice:
        yield f"For {plan.ranked[0].outlook.fab.id}:"
    for advice in plan.advice:
        yield f"  {advice.text}"
    for warning in plan.warnings:
        yield f"warning: {warning}"
