"""`maskwright convert FOLDER`: a collection converted here, by the rules and with the report of the service."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from worker.artwork_files import ArtworkFile, bottoms_of, no_artwork
from worker.board_file import BoardFile, read_board_file
from worker.circuit_file import GivenCircuit
from worker.circuit_options import circuit_digests, draw_unknown_layers
from worker.collection.kept_results import Digests, kept_report, mark_of
from worker.collection.manifest import Given, Manifest, read_manifest
from worker.collection.members import Member, Members, plan_members
from worker.collection.outgoing import OutgoingFile, files_below
from worker.collection.report_files import replace_file, write_sheets
from worker.collection.report_page import (
    PREVIEWS,
    SHEET_ENTRIES,
    WORST,
    ReportRow,
    report_html,
    report_json,
    row_of,
)
from worker.collection.result_names import REPORT_PAGE, REPORT_TABLE, result_folders
from worker.collection.watching import at_rest
from worker.command_line import ALL_DONE, SOME_FAILED
from worker.conversion import Means, Order, processes_for, with_shared_palette
from worker.conversion_run import ConversionRun
from worker.errors import BoardError, ManifestError, MaskwrightError
from worker.fab_profile import FabProfile, check_two_sided
from worker.installed_fabs import fab_path, find_fab
from worker.job import conversion_fingerprint
from worker.job_settings import check_against_fab, read_settings
from worker.job_summary import summary_of
from worker.program_revision import program_revision
from worker.shell_environment import ShellEnvironment
from worker.summary_table import print_summary

if TYPE_CHECKING:
    from rich.console import Console

    from worker.engine.report.contact_sheet import SheetEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectionCall:
    """What the command line says of a collection; the files that it names are read anew in each turn.

    given : settings for all, as they are written. again : convert what is unchanged, too. processes : 0 for as many as
    there are cores, four at most. circuit : reads the one that all artworks lie beside, from `circuit_paths`, as they
    are now. circuit_names : its folder and files as they were named.
    """

    artworks: Sequence[Path]
    fab: str
    out: Path
    given: Given
    manifest: Path | None
    bottom: Path | None
    board_file: Path | None
    full_size: bool
    again: bool
    processes: int
    environment: ShellEnvironment
    console: Console | None
    circuit: Callable[[], GivenCircuit | None] = lambda: None
    circuit_paths: Callable[[], Sequence[Path]] = tuple
    circuit_names: Sequence[Path | None] = ()
    digests: Digests = field(default_factory=Digests)

    def files(self) -> list[OutgoingFile]:
        """All files of the collection."""
        return files_below(
            self.artworks, left_out=[self.out, self.bottom, self.manifest, *self.circuit_names], links=True
        )


def convert_once(call: CollectionCall) -> int:
    """Convert what has changed, and write the report; the exit status."""
    return _Turn(call, call.files()).run()


def convert_and_watch(call: CollectionCall) -> int:
    """Do so whenever a file has changed and all are at rest; never ends by itself. What is wrong is told each time."""
    print(f"watching {', '.join(map(str, call.artworks))}; Ctrl-C ends it", flush=True)
    beside = [path for path in (call.manifest, call.board_file, fab_path(call.fab, call.environment)) if path]
    for files in at_rest(call.files, lambda: [*beside, *call.circuit_paths()]):
        try:
            _Turn(call, files).run()
        except MaskwrightError as error:
            print(f"not converted: {error.what}\n  {error.mend}", file=sys.stderr, flush=True)
    return ALL_DONE


class _Turn:
    """One conversion of the files as they are now."""

    def __init__(self, call: CollectionCall, files: Sequence[OutgoingFile]) -> None:
        self.call = call
        self.sources = {file.path: file.source for file in files}
        self.fab: FabProfile = find_fab(call.fab, call.environment)
        self.board_file = None if call.board_file is None else read_board(call.board_file)
        self.circuit = call.circuit()
        self.circuit_digests = circuit_digests(self.circuit)
        manifest = read_manifest_file(call.manifest)
        self.settings = read_settings({**manifest.shared, **call.given})
        check_against_fab(self.settings, self.fab)
        by_name = set(call.artworks)
        self.planned: Members = plan_members(
            list(self.sources),
            manifest,
            call.given,
            named=[path for path, source in self.sources.items() if source in by_name],
            check=lambda settings: check_against_fab(settings, self.fab),
        )
        known = {one.path for one in self.planned.members} | {one.path for one in self.planned.refused}
        self.artworks = [path for path in self.sources if path in known]
        if not self.artworks:
            raise no_artwork(call.artworks)
        self.folders = result_folders(self.artworks)
        self.bottoms: Mapping[str, Path] = {} if call.bottom is None else bottoms_of(self.artworks, call.bottom)
        if self.bottoms:
            check_two_sided(self.fab)
        self.rows: dict[str, ReportRow] = {}

    def run(self) -> int:
        refused = {one.path: (one.failure.what, one.failure.mend) for one in self.planned.refused}
        orders = {}
        for member in self.planned.members:
            try:
                orders[member.path] = self._order(member)
            except MaskwrightError as error:
                refused[member.path] = (error.what, error.mend)
        for path, (what, mend) in refused.items():
            self.rows[path] = row_of(path, "refused", None, fault=what, mend=mend)
        orders = _with_their_palette(orders)
        changed = [order for path, order in orders.items() if not self._is_kept(path, order)]
        run = self._converted(changed, list(orders.values()))
        paths = {id(order): path for path, order in orders.items()}
        for order, converted in run.done:
            path = paths[id(order)]
            self.rows[path] = row_of(path, "done", converted.summary, result=self._link(path))
        for order, fault in run.failures:
            path = paths[id(order)]
            self.rows[path] = row_of(path, "failed", None, fault=fault.what, mend=fault.mend)
        return self._tell(run)

    def _order(self, member: Member) -> Order:
        """Raises BoardError, FabProfileError: what goes with the artwork can't be used."""
        board_path = self.sources[member.board_file] if member.board_file else self.call.board_file
        board = read_board(self.sources[member.board_file]) if member.board_file else self.board_file
        bottom = self.sources[member.bottom] if member.bottom else self.bottoms.get(member.path)
        if bottom is not None:
            check_two_sided(self.fab)
        source, digests = self.sources[member.path], self.call.digests
        fingerprint = conversion_fingerprint(
            lane="batch",
            artwork=(source.name, digests.of(source)),
            fab_id=self.fab.id,
            settings=member.settings.as_text(),
            board_file=None if board_path is None else digests.of(board_path),
            bottom=None if bottom is None else (bottom.name, digests.of(bottom)),
            circuit=self.circuit_digests,
        )
        return Order(
            artwork=ArtworkFile(path=source, result=Path(self.folders[member.path]), bottom=bottom),
            settings=member.settings,
            board_file=board,
            mark=mark_of(
                fingerprint,
                {
                    "fab_revision": self.fab.revision,
                    "full_size": self.call.full_size,
                    "program": program_revision(),
                },
            ),
        )

    def _is_kept(self, path: str, order: Order) -> bool:
        """Whether an earlier result still holds; then its row is noted."""
        report = None if self.call.again else kept_report(self.call.out / order.artwork.result, order.mark)
        if report is not None:
            self.rows[path] = row_of(path, "done", summary_of(report), reused=True, result=self._link(path))
        return report is not None

    def _link(self, path: str) -> str:
        return f"{quote(self.folders[path])}/"

    def _converted(self, orders: Sequence[Order], known: Sequence[Order]) -> ConversionRun:
        """What became of `orders`, of all that are `known`."""
        cores = self.call.environment.threads_or_cores
        processes = self.call.processes or processes_for(len(orders), cores)
        means = Means(
            fab=self.fab,
            out=self.call.out,
            full_size=self.call.full_size,
            tables=self.call.environment.tables,
            threads=max(1, cores // processes),
            circuit=self.circuit,
        )
        if any(order.settings.palette == "shared" for order in orders):
            means = with_shared_palette(means, known, self.settings)
        run = ConversionRun(means=means, console=self.call.console, processes=processes)
        try:
            run.convert(orders)
        except KeyboardInterrupt:
            print(f"maskwright: stopped; {len(run.done)} of {len(orders)} done and kept.", file=sys.stderr)
            raise
        return run

    def _tell(self, run: ConversionRun) -> int:
        """Write the report, and print in short what it says."""
        out = self.call.out
        listed = [self.rows[path] for path in self.artworks]
        done = [row for row in listed if row.mean is not None]
        worst = sorted(done, key=lambda row: -(row.mean or 0.0))
        faults = [row for row in listed if row.fault]
        sheets = write_sheets(out, self._pages(done))
        head = {
            "name": self._name(),
            "created": datetime.now(UTC).isoformat(timespec="seconds"),
            "fab": {"id": self.fab.id, "revision": self.fab.revision},
            "counts": {"done": len(done), "failed": len(run.failures), "refused": len(faults) - len(run.failures)},
            "reused": len(done) - len(run.done),
            "skipped": list(self.planned.skipped),
            "worst": [row.as_table() for row in worst[:WORST]],
        }
        replace_file(out / REPORT_TABLE, "".join(report_json(head, [*worst, *faults])).encode())
        told = [
            ("converted", datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")),
            ("fab", f"{self.fab.id}, revision {self.fab.revision}"),
            ("artworks", str(len(listed))),
            ("unchanged", str(len(done) - len(run.done))),
            ("not converted", str(len(faults))),
            ("files left out", ", ".join(self.planned.skipped[:20]) or "none"),
        ]
        picture = next(iter(self._pages(worst[:WORST])), None)
        page = report_html(self._name(), told, picture, faults, worst, sheets=sheets)
        replace_file(out / REPORT_PAGE, "".join(page).encode())
        print_summary(run.rows, self.call.console)
        for path in self.planned.skipped:
            print(f"skipped, no artwork: {self.sources[path]}")
        print(f"{len(run.done)} converted, {len(done) - len(run.done)} unchanged, {len(faults)} not converted")
        print(f"results: {out}; report: {out / REPORT_PAGE}", flush=True)
        if self.circuit is not None:
            draw_unknown_layers(self.circuit, [error for _, error in run.failures], out)
        for row in faults:
            print(f"failed: {self.sources[row.path]}: {row.fault}\n  {row.mend}", file=sys.stderr)
        return SOME_FAILED if faults else ALL_DONE

    def _name(self) -> str:
        return next((path.resolve().name for path in self.call.artworks if path.is_dir()), "artworks")

    def _pages(self, rows: Sequence[ReportRow]) -> Iterator[bytes]:
        from worker.engine.report.contact_sheet import contact_sheet

        for start in range(0, len(rows), SHEET_ENTRIES):
            yield contact_sheet([self._entry(row) for row in rows[start : start + SHEET_ENTRIES]])

    def _entry(self, row: ReportRow) -> SheetEntry:
        from worker.engine.report.contact_sheet import SheetEntry

        folder = self.call.out / self.folders[row.path]
        preview = next((folder / name for name in PREVIEWS if (folder / name).is_file()), None)
        return SheetEntry(name=row.path, line=row.line(), preview=None if preview is None else preview.read_bytes())


def _with_their_palette(orders: Mapping[str, Order]) -> dict[str, Order]:
    """Where artworks share a palette, each is marked by all of them: it is another one when one of them changes."""
    sharing = [order.mark for order in orders.values() if order.settings.palette == "shared"]
    return {
        path: replace(order, mark=mark_of(order.mark, {"palette": sharing}))
        if order.settings.palette == "shared"
        else order
        for path, order in orders.items()
    }


def read_manifest_file(path: Path | None) -> Manifest:
    """The manifest in a file; an empty one for none. Raises ManifestError."""
    if path is None:
        return Manifest()
    try:
        return read_manifest(path.read_bytes(), file_name=path.name)
    except OSError as error:
        raise ManifestError(f"{path} can't be read: {error.strerror}.", mend="Check its name and rights.") from error


def read_board(path: Path) -> BoardFile:
    """The board file at a path. Raises BoardError."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BoardError(f"{path} can't be read: {error.strerror}.", mend="Check its name and rights.") from error
    return read_board_file(data, file_name=path.name)
