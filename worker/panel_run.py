"""`maskwright panel`: pieces laid on one panel for the fab. It loads the engine when it runs."""

from __future__ import annotations

import argparse
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from worker.archive_entries import accounts_agree
from worker.board_file import read_board_file
from worker.command_line import ALL_DONE, add_command
from worker.errors import PanelError
from worker.fab_profile import FabProfile, check_two_sided
from worker.job import PANEL_FILE
from worker.natural_order import natural_key
from worker.panel_file import MERGED_FILES, PanelFile, PlannedPiece, is_panel_part, read_panel_file
from worker.result_folder import write_new_folder

if TYPE_CHECKING:
    from worker.engine.panel.panelling import MadePanel
    from worker.engine.panel.piece import Piece
    from worker.shell_environment import ShellEnvironment

MAX_BYTES = 2 * 1024**3
"""Of one result's fabrication files, unpacked."""
NEEDED = ("report.json", "top/report.json")

EPILOG = """\
examples:
  maskwright panel tokens.toml --out tokens-panel
  maskwright panel tokens.toml --fab nocturne-gold --out tokens-panel

PANEL is a panel file (.toml or .json): its size, rails and spacing, what lies on it (results with fabrication files,
or artworks that are converted first), tabs or scores, fiducial marks, tooling holes and numbers. README.md describes
it, samples/panels/ has some. Paths in it are relative to its own folder. The folder DIR gets report.json, panel.png and
fabrication/ with all that a fab needs in one ZIP.

exit status: 0 done; 2 the call was wrong, or the panel can't be laid out
"""


def add_panel(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command and its options."""
    parser = add_command(commands, "panel", "lay pieces on one panel for the fab", EPILOG)
    parser.add_argument("panel", type=Path, metavar="PANEL", help="the panel file (.toml or .json)")
    parser.add_argument(
        "--fab", help="path to a fab profile (.toml), or the id of an installed one, in place of the file's"
    )
    parser.add_argument("--out", required=True, type=Path, metavar="DIR", help="folder for the panel; must be new")
    parser.set_defaults(run=_panel)


def _panel(given: argparse.Namespace) -> int:
    from worker.installed_fabs import find_fab
    from worker.shell_environment import read_shell_environment

    environment = read_shell_environment()
    path: Path = given.panel
    try:
        data = path.read_bytes()
    except OSError as error:
        raise PanelError(f"{path} can't be read: {error.strerror}.", mend="Check its name and rights.") from error
    panel_file = read_panel_file(data, file_name=path.name)
    fab = find_fab(_fab_name(given.fab, panel_file, path.parent), environment)
    pieces = list(_pieces(panel_file, path.parent, fab, environment))
    from worker.engine.panel.panelling import make_panel

    made = make_panel(panel_file, pieces, fab, threads=environment.threads_or_cores)
    write_new_folder(given.out, made.files.items())
    for line in told(made.report):
        print(line)
    print(f"panel: {given.out}")
    return ALL_DONE


def _fab_name(given: str | None, panel_file: PanelFile, folder: Path) -> str:
    name = given or panel_file.fab
    if not name:
        raise PanelError(f"{panel_file.file_name}: fab is missing.", mend="Name the fab profile there, or give --fab.")
    beside = folder / name
    return str(beside) if given is None and name.endswith(".toml") and beside.is_file() else name


def _pieces(
    panel_file: PanelFile, folder: Path, fab: FabProfile, environment: ShellEnvironment
) -> Iterator[tuple[PlannedPiece, Piece]]:
    """Every piece with the entry that names it; a folder of results gives one for each."""
    from worker.engine.panel.piece import read_piece

    for plan in panel_file.pieces:
        where = f"{panel_file.file_name}: {plan.entry}"
        if plan.kind in ("job", "collection"):
            raise PanelError(
                f"{where}: a {plan.kind} is of a service.",
                mend="Send the panel file to that service (POST /v1/panels), or fetch its result and name the folder.",
            )
        if plan.kind == "artwork":
            yield plan, read_piece(_converted(plan, folder, fab, environment, where), source=plan.source)
            continue
        for name, files in _results(folder / plan.source, plan.source, where):
            yield replace(plan, source=name), read_piece(files, source=name)


def _converted(
    plan: PlannedPiece, folder: Path, fab: FabProfile, environment: ShellEnvironment, where: str
) -> Mapping[str, bytes]:
    """An artwork's result, with fabrication files."""
    from worker.engine import pipeline
    from worker.engine.two_sides import convert_two_sides
    from worker.job_settings import read_settings
    from worker.table_folder import TableFolder

    settings = read_settings({**plan.settings, "fabrication": "on"})
    board_file = None
    if plan.board_file:
        with _opened(folder / plan.board_file, where) as board:
            board_file = read_board_file(board.read(), file_name=plan.board_file)
    common: dict[str, Any] = {
        "board_file": board_file,
        "tables": TableFolder(environment.tables),
        "threads": environment.threads_or_cores,
    }
    name = Path(plan.source).name
    with _opened(folder / plan.source, where) as source:
        if not plan.bottom:
            return dict(pipeline.convert(source, fab, settings, name=name, **common).files())
        check_two_sided(fab)
        with _opened(folder / plan.bottom, where) as bottom:
            names = (name, Path(plan.bottom).name)
            return dict(convert_two_sides(source, bottom, fab, settings, names=names, **common).files())


def _opened(path: Path, where: str) -> BinaryIO:
    try:
        return path.open("rb")
    except OSError as error:
        raise PanelError(
            f"{where}: {path} can't be read: {error.strerror}.", mend="Check its name; it counts from the panel file."
        ) from error


def _results(path: Path, name: str, where: str) -> Iterator[tuple[str, Mapping[str, bytes]]]:
    """One result, or all those in a folder in the order of their names, numbers by their value."""
    if zipfile.is_zipfile(path):
        yield name, _unpacked(path, where)
        return
    if not path.is_dir():
        raise PanelError(
            f"{where}: there is no result at {path}.", mend="Check its name; it counts from the panel file's folder."
        )
    if (path / "report.json").is_file():
        yield name, _of_folder(path, where)
        return
    inside = [entry for entry in path.iterdir() if (entry / "report.json").is_file()]
    if not inside:
        raise PanelError(
            f"{where}: {path} is no result, and holds none.", mend="Name what 'maskwright convert' has written."
        )
    for entry in sorted(inside, key=lambda each: natural_key(each.name)):
        yield f"{name}/{entry.name}", _of_folder(entry, where)


def _of_folder(path: Path, where: str) -> Mapping[str, bytes]:
    files: dict[str, bytes] = {}
    wanted = [path / name for name in NEEDED]
    made = path / "fabrication"
    wanted += [*sorted(made.iterdir()), *sorted((path / MERGED_FILES).glob("*"))] if made.is_dir() else []
    try:
        for each in wanted:
            name = each.relative_to(path).as_posix()
            if is_panel_part(name) and each.is_file():
                files[name] = each.read_bytes()
    except OSError as error:
        raise PanelError(f"{where}: {path} can't be read: {error.strerror}.", mend="Check its rights.") from error
    return files


def _unpacked(path: Path, where: str) -> Mapping[str, bytes]:
    """What a panel needs of a result's ZIP archive."""
    files: dict[str, bytes] = {}
    total = 0
    try:
        with zipfile.ZipFile(path) as archive:
            for info in archive.infolist():
                name = info.filename
                if not is_panel_part(name):
                    continue
                total += info.file_size
                if total > MAX_BYTES:
                    raise PanelError(f"{where}: {path} unpacks to more than {MAX_BYTES:,} bytes.", mend="Look into it.")
                files[name] = archive.read(info)
                if not accounts_agree(archive, info):
                    raise zipfile.BadZipFile(f"its list and its files disagree on {name}")
    except PanelError:
        raise
    except Exception as error:  # a damaged archive brings a dozen kinds of error out of its unpackers
        raise PanelError(
            f"{where}: {path} can't be read: {str(error).rstrip('.') or 'it is damaged'}.", mend="Get it again."
        ) from error
    return files


def told(report: Mapping[str, Any]) -> Iterator[str]:
    """What became of a panel, line by line."""
    panel, density = report["panel"], report["density"]
    yield (
        f"{panel['name']}: {panel['width_mm']:g} x {panel['height_mm']:g} mm, {counted(report['counts']['pieces'])}, "
        f"{100 * density['share']:.1f} % of the free area"
    )
    filled = density["filled"]
    if filled is not None:
        endless = "" if filled["endless_density"] is None else f", endless {100 * filled['endless_density']:.1f} %"
        yield (
            f"filled: {filled['count']} of at most {filled['bound']} ({filled['bound_kind']} bound) with the outline "
            f"of {filled['piece']}; density {100 * filled['density']:.1f} %{endless}"
        )
    yield from _checks(report["checks"])
    yield report["proof"]["text"]
    for warning in report["warnings"]:
        yield f"warning: {warning}"


def counted(pieces: int) -> str:
    """How many pieces, in words."""
    return f"{pieces} piece{'' if pieces == 1 else 's'}"


def _checks(checks: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    good = sum(check["ok"] for check in checks)
    yield f"limits: {good} of {len(checks)} hold"


def panel_of_inputs(
    fab: FabProfile,
    inputs: Mapping[str, BinaryIO],
    listed: Sequence[Mapping[str, str]],
    *,
    threads: int,
    progress: Callable[[str, int, int], None],
) -> MadePanel:
    """A panel of what a service's job has: the panel file, and results' files by number and path.

    `listed` : each piece's entry in the panel file, its job, and the number of its files.
    """
    from worker.engine.panel.panelling import make_panel
    from worker.engine.panel.piece import read_piece

    with inputs[PANEL_FILE] as sent:
        panel_file = read_panel_file(sent.read())
    plans = {plan.entry: plan for plan in panel_file.pieces}
    read: dict[str, Piece] = {}
    pieces = []
    for one in listed:
        number = one["files"]
        if number not in read:
            files: dict[str, bytes] = {}
            for name in inputs:
                if name.startswith(f"{number}/"):
                    with inputs[name] as file:
                        files[name.removeprefix(f"{number}/")] = file.read()
            read[number] = read_piece(files, source=f"job {one['job']}")
        pieces.append((plans[one["entry"]], read[number]))
    return make_panel(panel_file, pieces, fab, threads=threads, progress=progress)


def summarise_panel(report: Mapping[str, Any]) -> dict[str, Any]:
    """What of a panel's report stands in its job's row."""
    return {
        "width_mm": report["panel"]["width_mm"],
        "height_mm": report["panel"]["height_mm"],
        "pieces": report["counts"]["pieces"],
        "density": report["density"],
        "checks_failed": [check["id"] for check in report["checks"] if not check["ok"]],
        "cautions": len(report["cautions"]),
        "warnings": report["warnings"],
    }
