"""Door 1 to the engine: bytes in, engine, bytes out. The engine is loaded only in a worker."""

from __future__ import annotations

import gc
import io
import json
import logging
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from celery.exceptions import SoftTimeLimitExceeded

from worker.board_file import BoardFile, read_board_file
from worker.circuit_archive import circuit_of
from worker.circuit_file import GivenCircuit
from worker.errors import ArtworkError, CancelledError, MaskwrightError, StorageError, UnavailableError
from worker.fab_profile import FabProfile, read_fab_profile
from worker.heartbeat import Heartbeat
from worker.job import (
    ANIMATION,
    ANSWER,
    ARTWORK,
    BOARD_FILE,
    BOTTOM,
    FAB,
    FRAME_FILE,
    FRAMES,
    NEEDED,
    PALETTE_FILE,
    PLAN_FILE,
    PREVIOUS_FILE,
    SHEET,
    Claim,
    Failure,
    InputFile,
    Job,
    Lane,
    Package,
    failure_of,
)
from worker.job_settings import read_settings
from worker.job_summary import summary_of
from worker.ledger import Ledger
from worker.log_lines import about
from worker.result_archive import write_archive
from worker.stage_times import StageTimes
from worker.storage import ObjectStore
from worker.tracing import Tracing

if TYPE_CHECKING:
    from worker.engine.circuit.beside import BesideCircuit
    from worker.engine.circuit.rasters import SideName
    from worker.engine.palette.shared import SharedPalette

log = logging.getLogger(__name__)


HOLD_SECONDS = (5.0, 30.0)
"""After a passing trouble, such as a full disk, a job keeps its worker so long before it goes back, per attempt.

The next job would meet the same trouble: a night's collection must not fail within minutes.
"""
ENDING_SECONDS = 60.0
"""The end of a job is told to the ledger again and again for so long, while the database is away."""


class _GoneError(StorageError):
    """A file of the job is not in the store: no further attempt will find it."""


class Inputs(Mapping[str, BinaryIO]):
    """A job's further files by name, each read from the store when it is asked for, and not before."""

    def __init__(self, store: ObjectStore, files: Mapping[str, InputFile]) -> None:
        self.store = store
        self.files = files

    def __getitem__(self, name: str) -> BinaryIO:
        file = self.files[name]
        try:
            return io.BytesIO(b"".join(self.store.read(file.key, file.start, file.start + file.bytes)))
        except FileNotFoundError as error:
            raise _GoneError(f"The file {name!r} of the job is gone from the store.", mend="Send it again.") from error

    def __iter__(self) -> Iterator[str]:
        return iter(self.files)

    def __len__(self) -> int:
        return len(self.files)


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """All that a kind of job gets. `progress(stage, done, of)` raises CancelledError when the job must stop.

    `artwork` is empty for a kind that has none. `inputs` are further files, by the names that the kind gives them.
    """

    job: Job
    artwork: BinaryIO
    inputs: Mapping[str, BinaryIO]
    fab_toml: bytes
    tables: Path
    threads: int
    progress: Callable[[str, int, int], None]

    def fab(self) -> FabProfile:
        """The job's fab profile. Raises FabProfileError."""
        return read_fab_profile(self.fab_toml, file_name=f"fab {self.job.fab_id}")

    def circuit(self) -> GivenCircuit | None:
        """The circuit that came with the artwork, its archive unpacked. Raises CircuitError."""
        return circuit_of(self.inputs, {name: file.name for name, file in self.job.inputs.items()})


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a kind of job gives: its result files by path, made one by one, and a summary for the job's row.

    `files` is an empty tuple where the summary, under ANSWER, is all of it.
    """

    files: Iterable[tuple[str, bytes]]
    summary: Mapping[str, Any]


def convert(work: Work) -> Outcome:
    """Artwork to finish masks, score, preview and report; of both sides of a board where there are two."""
    from worker.engine import pipeline
    from worker.table_folder import TableFolder

    if BOTTOM in work.inputs:
        return _convert_two_sides(work)

    conversion = pipeline.convert(
        work.artwork,
        work.fab(),
        read_settings(work.job.settings),
        name=work.job.name,
        board_file=_board_file(work),
        palette=_palette(work),
        beside=_beside(work, ("top",)).get("top"),
        tables=TableFolder(work.tables),
        threads=work.threads,
        progress=work.progress,
    )
    return Outcome(files=conversion.files(), summary=summary_of(conversion.report))


def _convert_two_sides(work: Work) -> Outcome:
    from worker.engine.two_sides import convert_two_sides
    from worker.table_folder import TableFolder

    with work.inputs[BOTTOM] as bottom:
        piece = convert_two_sides(
            work.artwork,
            bottom,
            work.fab(),
            read_settings(work.job.settings),
            names=(work.job.name, work.job.inputs[BOTTOM].name or BOTTOM),
            board_file=_board_file(work),
            palette=_palette(work),
            beside=_beside(work, ("top", "bottom")) or None,
            tables=TableFolder(work.tables),
            threads=work.threads,
            progress=work.progress,
        )
    return Outcome(files=piece.files(), summary=summary_of(piece.report))


def _beside(work: Work, sides: tuple[SideName, ...]) -> dict[SideName, BesideCircuit]:
    """The sides of the circuit that the art lies beside, where there is one."""
    given = work.circuit()
    if given is None:
        return {}
    from worker.engine.circuit.beside import sides_beside

    return sides_beside(given, work.fab(), read_settings(work.job.settings), sides, threads=work.threads)


def _board_file(work: Work) -> BoardFile | None:
    if BOARD_FILE not in work.inputs:
        return None
    return read_board_file(work.inputs[BOARD_FILE].read(), file_name=BOARD_FILE)


def _palette(work: Work) -> SharedPalette | None:
    from worker.engine.palette.shared import read_palette

    return read_palette(work.inputs[PALETTE_FILE].read()) if PALETTE_FILE in work.inputs else None


def palette(work: Work) -> Outcome:
    """Many artworks, with the settings of each, to one palette."""
    from worker.engine.palette.shared import write_palette
    from worker.engine.shared_palette import PaletteArtwork, shared_palette
    from worker.table_folder import TableFolder

    asked = work.job.settings
    artworks = [
        PaletteArtwork(
            name=work.job.inputs[str(number)].name,
            open=partial(work.inputs.__getitem__, str(number)),
            settings=settings,
        )
        for number, settings in enumerate(read_settings(one) for one in asked["artworks"])
    ]
    made = shared_palette(
        artworks,
        work.fab(),
        read_settings(asked["settings"]),
        tables=TableFolder(work.tables),
        threads=work.threads,
        progress=partial(work.progress, "colours"),
    )
    answer = {"artworks": made.palette.artworks, "failed": len(made.failed)}
    return Outcome(files=[(PALETTE_FILE, write_palette(made.palette))], summary={ANSWER: answer})


def series_plan(work: Work) -> Outcome:
    """The artworks of a series to what its pieces share; an animation to its frames as well."""
    from worker.engine.series import Animation, FrameFile, artwork_png, plan_series, write_plan
    from worker.table_folder import TableFolder

    settings = read_settings(work.job.settings["settings"])
    art: Animation | list[FrameFile]
    if ANIMATION in work.inputs:
        art = Animation(work.inputs[ANIMATION].read(), name=work.job.inputs[ANIMATION].name)
    else:
        art = [
            FrameFile(name=work.job.inputs[str(i)].name, open=partial(work.inputs.__getitem__, str(i)))
            for i in range(len(work.job.inputs))
        ]
    made = plan_series(
        art,
        work.fab(),
        settings,
        tables=TableFolder(work.tables),
        threads=work.threads,
        progress=partial(work.progress, "colours"),
    )

    def files() -> Iterator[tuple[str, bytes]]:
        yield PLAN_FILE, write_plan(made)
        for number, frame in enumerate(art if isinstance(art, Animation) else ()):
            if isinstance(frame, MaskwrightError):
                yield f"{FRAMES}{number}.txt", json.dumps([frame.what, frame.mend]).encode()
                continue
            assert not isinstance(frame, FrameFile)
            yield f"{FRAMES}{number}.png", artwork_png(frame)

    return Outcome(files=files(), summary={ANSWER: {"pieces": len(art), "edges": made.edges}})


def piece(work: Work) -> Outcome:
    """One piece of a series, by the plan of all and what the piece before it left."""
    from worker.engine.report.series_report import flicker_block
    from worker.engine.separation.continuity import read_previous, write_previous
    from worker.engine.series import FrameFile, convert_piece, piece_frame, read_plan
    from worker.table_folder import TableFolder

    asked = dict(work.job.settings)
    number, still = asked.pop("frame"), float(asked.pop("still"))
    asked.pop("milliseconds")
    opened = partial(_frame_of, work, number)
    previous = read_previous(work.inputs[PREVIOUS_FILE].read()) if PREVIOUS_FILE in work.inputs else None
    conversion = convert_piece(
        FrameFile(name=work.job.name, open=opened),
        read_plan(work.inputs[PLAN_FILE].read()),
        previous,
        work.fab(),
        read_settings(asked),
        still=still,
        board_file=_board_file(work),
        tables=TableFolder(work.tables),
        threads=work.threads,
        progress=work.progress,
    )
    following, flicker = conversion.separation.following, conversion.separation.flicker
    assert following is not None

    def files() -> Iterator[tuple[str, bytes]]:
        yield FRAME_FILE, piece_frame(conversion)
        yield PREVIOUS_FILE, write_previous(following)
        yield from conversion.files()

    summary = summary_of(conversion.report)
    return Outcome(files=files(), summary={**summary, "stillness": None if flicker is None else flicker_block(flicker)})


def _frame_of(work: Work, number: int | None) -> BinaryIO:
    """The artwork of a piece: a file of its own, or a frame that the plan took out of an animation."""
    if number is None:
        return work.artwork
    fault = f"{FRAMES}{number}.txt"
    if fault in work.inputs:
        what, mend = json.loads(work.inputs[fault].read())
        raise ArtworkError(what, mend=mend)
    return work.inputs[f"{FRAMES}{number}.png"]


def animation(work: Work) -> Outcome:
    """Frames of pieces, in order, to a series in motion."""
    from worker.engine.report.animation import animation as moving

    frames = [work.inputs[str(i)].read() for i in range(len(work.job.inputs))]
    data = moving(frames, work.job.settings["milliseconds"], work.job.settings["form"])
    return Outcome(files=[(ANIMATION, data)], summary={ANSWER: {"frames": len(frames)}})


def photograph(work: Work) -> Outcome:
    """Photographs of a coupon beside a chart to readings, which change nothing by themselves."""
    from worker.photograph_run import photograph_answer

    fab = work.fab()
    answer = photograph_answer(fab, work.inputs, work.job.settings["names"], work.job.settings)
    return Outcome(files=(), summary={ANSWER: answer})


def readings(work: Work) -> Outcome:
    """A profile with the readings of a file, which is not saved by that."""
    from worker.readings_import import PROFILE, import_readings

    with work.inputs["file"] as file:
        edited, finishes = import_readings(work.fab_toml, file, work.job.settings, fab_id=work.job.fab_id)
    return Outcome(files=[(PROFILE, edited)], summary={ANSWER: {"finishes": finishes}})


def contact_sheet(work: Work) -> Outcome:
    """A picture of many jobs' previews, whose names and lines the settings list."""
    from worker.engine.report.contact_sheet import SheetEntry
    from worker.engine.report.contact_sheet import contact_sheet as sheet_of

    entries = []
    for number, (name, line) in enumerate(work.job.settings["entries"]):
        preview = None
        if str(number) in work.inputs:
            with work.inputs[str(number)] as file:
                preview = file.read()
        entries.append(SheetEntry(name=name, line=line, preview=preview))
    return Outcome(files=[(SHEET, sheet_of(entries))], summary={ANSWER: {"entries": len(entries)}})


def look(work: Work) -> Outcome:
    """Pictures to look at a conversion closely, or a draft of one."""
    from worker.looking import look as look_at
    from worker.table_folder import TableFolder

    pictures, answer = look_at(
        work.fab(),
        work.inputs,
        work.job.settings,
        tables=TableFolder(work.tables),
        threads=work.threads,
        progress=work.progress,
    )
    return Outcome(files=pictures.items(), summary={ANSWER: answer})


def circuit(work: Work) -> Outcome:
    """What the files of a circuit are, with pictures of its layers."""
    from worker.engine.circuit.contents import circuit_contents

    given = work.circuit()
    assert given is not None  # it is what is asked about
    pictures, answer = circuit_contents(given)
    return Outcome(files=pictures.items(), summary={ANSWER: answer})


def panel(work: Work) -> Outcome:
    """Results of earlier jobs, laid on one panel."""
    from worker.panel_run import panel_of_inputs, summarise_panel

    fab = work.fab()
    made = panel_of_inputs(fab, work.inputs, work.job.settings["pieces"], threads=work.threads, progress=work.progress)
    return Outcome(files=made.files.items(), summary=summarise_panel(made.report))


def plan(work: Work) -> Outcome:
    """What several fabs' boards would show of an artwork; the inputs hold the profiles of the fabs in the settings."""
    from worker.engine.plan.plan import plan_artwork
    from worker.plan_page import plan_files, plan_record

    settings = read_settings(work.job.settings["settings"])
    fabs = []
    for fab_id in work.job.settings["fabs"]:
        with work.inputs[f"{FAB}{fab_id}"] as file:
            fabs.append(read_fab_profile(file.read(), file_name=f"fab {fab_id}"))
    with work.inputs[ARTWORK] as file:
        made = plan_artwork(file, fabs, settings, name=work.job.name, threads=work.threads)
    return Outcome(files=plan_files(made, settings), summary={ANSWER: plan_record(made, settings)})


def references(work: Work) -> Outcome:
    """The references that a fab's readings give under viewing conditions."""
    from worker.tuning import references_answer

    conditions = work.job.settings["viewing_conditions"]
    answer = references_answer(work.fab_toml, conditions, fab_id=work.job.fab_id)
    return Outcome(files=(), summary={ANSWER: answer})


def preview(work: Work) -> Outcome:
    """A finished job scored with edited references."""
    from worker.tuning import preview_answer

    answer = preview_answer(
        work.fab_toml,
        work.job.settings,
        lambda: work.inputs["tuning"],
        tuning_sha256=work.job.inputs["tuning"].sha256,
        fab_id=work.job.fab_id,
        threads=work.threads,
    )
    return Outcome(files=(), summary={ANSWER: answer})


def preload(*, drafts: bool = False) -> None:
    """Load the engine once, in the process whose children do the jobs: they share it and are ready at once.

    `drafts` : also what a draft runs, which somebody waits for. pyvips is not among it: it starts threads, which a fork
    would lose. The first job that needs it loads it, or each child (`ready_for_drafts`).
    """
    gc.disable()  # loading modules leaves nothing to collect
    try:
        import sklearn.cluster

        from worker import tuning
        from worker.engine import pipeline

        tuning.warm()
        if drafts:
            from worker import warm_drafts

            warm_drafts.warm()
    finally:
        gc.freeze()  # nor do children look through it: what they would write to they share no longer
        gc.enable()
    log.info("loaded %s, %s and %s", pipeline.__name__, tuning.__name__, sklearn.cluster.__name__)


def ready_for_drafts() -> None:
    """Load, in a child, what the first draft would wait for."""
    from worker import warm_drafts

    warm_drafts.warm_decoder()


KINDS: dict[str, Callable[[Work], Outcome]] = {
    "convert": convert,
    "panel": panel,
    "piece": piece,
    "palette": palette,
    "series-plan": series_plan,
    "references": references,
    "preview": preview,
    "photograph": photograph,
    "readings": readings,
    "contact-sheet": contact_sheet,
    "look": look,
    "plan": plan,
    "animation": animation,
    "circuit": circuit,
}
"""What each kind of job does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Where jobs are worked on: this process's ledger, store, folder of colour tables and share of threads."""

    ledger: Ledger
    store: ObjectStore
    tables: Path
    threads: int
    tracing: Tracing | None = None

    def work(self, lane: Lane, task_id: str) -> bool:
        """Claim the next job of a lane and bring it to its end. False when there was none."""
        claim = self.ledger.jobs.claim(lane, task_id)
        if claim is None:
            return False
        with about(claim.job):
            self._work_on(claim)
            if claim.job.kind in NEEDED:  # others may wait for it; housekeeping would find them a little later
                with suppress(StorageError, UnavailableError):
                    self.ledger.jobs.let_go()
        return True

    def _work_on(self, claim: Claim) -> None:
        began_ns, began = time.time_ns(), time.perf_counter()
        with Heartbeat(self.ledger.jobs, claim) as heartbeat:
            stages = StageTimes(heartbeat.report)
            state, cause = self._end(claim, heartbeat, stages, began)
        seconds = round(time.perf_counter() - began, 3)
        told = {"kind": claim.job.kind, "lane": claim.job.lane, "attempt": claim.job.attempt, "seconds": seconds}
        log.info("job %s %s", claim.job.id, f"{state}: {cause}" if cause else state, extra={**told, "cause": cause})
        if self.tracing is not None:
            self.tracing.job(claim.job, state, cause, stages.spans(), began_ns)

    def _end(self, claim: Claim, heartbeat: Heartbeat, stages: StageTimes, began: float) -> tuple[str, str]:
        """Do the job and say how this attempt ended: its state, and the code of what it failed by."""
        try:
            return ("done" if self._do(claim, stages, began) else "dropped"), ""
        except CancelledError:
            return "stopped", ""
        except (StorageError, UnavailableError) as error:
            if isinstance(error, _GoneError):
                return self._fail(claim, failure_of(error))
            self._give_back(claim, heartbeat, error)
            return "given back", error.code
        except MaskwrightError as error:
            return self._fail(claim, failure_of(error))
        except SoftTimeLimitExceeded:
            return self._fail(claim, TOO_LONG)
        except MemoryError:
            return self._fail(claim, TOO_MUCH_MEMORY)
        except Exception:
            log.exception("job %s failed", claim.job.id)
            return self._fail(claim, INTERNAL)

    def _fail(self, claim: Claim, failure: Failure) -> tuple[str, str]:
        _told(lambda: self.ledger.jobs.fail(claim.job.id, claim.token, failure))
        return "failed", failure.code

    def _give_back(self, claim: Claim, heartbeat: Heartbeat, error: MaskwrightError) -> None:
        attempt = claim.job.attempt
        if attempt < self.ledger.jobs.attempts:
            log.warning("job %s waits for better times: %s", claim.job.id, error)
            heartbeat.lost.wait(HOLD_SECONDS[min(attempt, len(HOLD_SECONDS)) - 1])
        _told(lambda: self.ledger.jobs.give_back(claim.job.id, claim.token, failure_of(error)))

    def _do(self, claim: Claim, stages: StageTimes, began: float) -> bool:
        job = claim.job
        with self._artwork(job) as artwork:
            outcome = KINDS[job.kind](
                Work(
                    job=job,
                    artwork=artwork,
                    inputs=Inputs(self.store, job.inputs),
                    fab_toml=claim.fab_toml,
                    tables=self.tables,
                    threads=self.threads,
                    progress=stages,
                )
            )
            result = None if outcome.files == () else self._save(claim, outcome)
        seconds = round(time.perf_counter() - began, 3)
        summary = {**outcome.summary, "seconds": seconds, "stages": stages.seconds()}
        if not _told(lambda: self.ledger.jobs.publish(job.id, claim.token, result, summary)):
            log.warning("job %s was cancelled or given away: its result is dropped", job.id)
            return False
        return True

    def _artwork(self, job: Job) -> BinaryIO:
        if not job.artwork:
            return io.BytesIO()
        try:
            return self.store.open(f"artworks/{job.artwork}")
        except FileNotFoundError as error:
            raise _GoneError(f"The artwork {job.name!r} is gone from the store.", mend="Send it again.") from error

    def _save(self, claim: Claim, outcome: Outcome) -> Package:
        key = f"results/{claim.job.id}/{claim.token}"
        with self.store.spool() as spooled:
            written = write_archive(spooled, claim.job.name, outcome.files)
            self.store.keep(key, spooled)
        return Package(key=key, bytes=written.bytes, files=written.files, sha256=written.sha256)


def _told(tell: Callable[[], bool]) -> bool:
    """What the ledger answers to the end of a job, once it answers: work that is done isn't thrown away meanwhile."""
    until = time.monotonic() + ENDING_SECONDS
    while True:
        try:
            return tell()
        except (StorageError, UnavailableError) as error:
            if time.monotonic() > until:
                raise
            log.warning("the end of a job can't be told yet: %s", error)
            time.sleep(0.5)


TOO_LONG = Failure(
    code="too-long",
    what="The job took longer than one job may.",
    mend="Try a smaller artwork or a coarser pitch, or raise MASKWRIGHT_JOB_SECONDS.",
)
TOO_MUCH_MEMORY = Failure(
    code="too-much-memory",
    what="The job needed more memory than one job may.",
    mend="Try a smaller artwork or a coarser pitch, or raise MASKWRIGHT_JOB_MEMORY_MB.",
)
INTERNAL = Failure(
    code="internal",
    what="The job failed through a fault of the program.",
    mend="Its log says more, under the job's id: please report it with the artwork.",
)
