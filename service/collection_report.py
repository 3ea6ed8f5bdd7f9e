"""A collection's report and contact sheet, with links to the service or to the files of its package."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Literal
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool

from service.asking import Question
from service.backing import Backing
from service.collection_answers import CollectionAnswer, collection_answer
from service.collection_series import stillness
from service.drawn_files import drawn_file
from worker.collection.report_page import (
    PREVIEWS,
    SHEET_ENTRIES,
    WORST,
    ReportRow,
    report_html,
    report_json,
    row_of,
)
from worker.collection.result_names import result_folders, sheet_name
from worker.job import SHEET, InputFile, JobFile
from worker.ledger.collections import REFUSED, Collection, Member, Order

Links = Literal["service", "package"]
"""Where a report's links lead: to the service, or to the files of the package beside it."""


class CollectionReport:
    """The report of one collection, as it is now.

    folders : of each artwork's result in the package, by the artwork's path.
    """

    def __init__(self, backing: Backing, collection: Collection, links: Links) -> None:
        self.backing = backing
        self.collection = collection
        self.folders: Mapping[str, str] = {}
        if links == "package":
            self.folders = result_folders(backing.ledger.collections.paths(collection.id))

    def json(self) -> Iterator[str]:
        """As JSON, in pieces."""
        head = self._answer().model_dump(mode="json", exclude={"links", "seconds_to_go", "artworks"}) | {
            "worst": [row.as_table() for row in self._rows(state="done", most=WORST)]
        }
        still = stillness(self.backing, self.collection)
        head |= {} if still is None else {"stillness": still}
        return report_json(head, self._rows())

    def page(self, sheet: bytes | None) -> Iterator[str]:
        """As a page, in pieces. `sheet` : a picture of the worst."""
        answer = self._answer()
        told = [
            ("asked for", answer.created.strftime("%Y-%m-%d %H:%M UTC")),
            ("report of", datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")),
            ("fab", f"{answer.fab.id}, revision {answer.fab.revision}"),
            ("artworks", str(answer.artworks)),
            *((name, str(number)) for name, number in answer.counts.items() if number),
            ("converted before", str(answer.reused)),
            ("files left out", ", ".join(answer.skipped[:20]) or "none"),
        ]
        faults = (row for name in ("failed", REFUSED, "cancelled") for row in self._rows(state=name))
        pages = -(-answer.counts["done"] // SHEET_ENTRIES)
        sheets = [self._sheet_link(answer, number) for number in range(1, pages + 1)]
        return report_html(answer.name, told, sheet, faults, self._rows(state="done"), sheets=sheets)

    def _answer(self) -> CollectionAnswer:
        return collection_answer(self.collection, self.backing.ledger.collections.standing(self.collection.id))

    def _sheet_link(self, answer: CollectionAnswer, number: int) -> str:
        return sheet_name(number) if self.folders else f"{answer.links.contact_sheet}?page={number}"

    def _rows(self, *, state: str | None = None, most: int | None = None) -> Iterator[ReportRow]:
        """Artworks by mean error."""
        for member in self.backing.ledger.collections.by_error(self.collection.id, state=state, most=most):
            yield report_row(member, self.folders)


def report_row(member: Member, folders: Mapping[str, str]) -> ReportRow:
    """An artwork's row. `folders` : of each result, by the artwork's path; empty for links to the service."""
    job = member.job
    if job is None:
        assert member.failure is not None
        return row_of(member.path, REFUSED, None, fault=member.failure.what, mend=member.failure.mend)
    if job.failure is not None:
        return row_of(member.path, job.state, None, reused=member.reused, fault=job.failure.what, mend=job.failure.mend)
    summary = job.summary if job.state == "done" else None
    result = f"{quote(folders[member.path])}/" if folders else f"/v1/jobs/{job.id}/files/"
    return row_of(member.path, job.state, summary, reused=member.reused, result=result)


async def drawn_sheet(
    backing: Backing, owner: str, collection: Collection, *, order: Order, start: int, most: int
) -> bytes | None:
    """A picture of some previews of what is done, which a worker draws; None where there are none."""
    question = await run_in_threadpool(_sheet_question, backing, collection, order, start, most)
    if question is None:
        return None
    return await drawn_file(backing, owner, question, SHEET, what="drew the contact sheet")


def _sheet_question(backing: Backing, collection: Collection, order: Order, start: int, most: int) -> Question | None:
    shown = backing.ledger.collections.members(collection.id, order=order, state="done", start=start, size=most)
    if not shown:
        return None
    entries = []
    inputs: dict[str, InputFile] = {}
    packages = backing.ledger.collections.packages_of(shown, paths=PREVIEWS)
    for number, member in enumerate(shown):
        entries.append([member.path, report_row(member, {}).line()])
        package = packages.get(member.position)
        preview = None if package is None else _preview(package.files)
        if package is not None and preview is not None:
            inputs[str(number)] = InputFile(
                key=package.key, bytes=preview.bytes, sha256=preview.sha256, start=preview.start, name=member.path
            )
    return Question(
        kind="contact-sheet",
        name=collection.name,
        fab_id=collection.fab_id,
        fab_revision=collection.fab_revision,
        settings={"entries": entries},
        inputs=inputs,
    )


def _preview(files: tuple[JobFile, ...]) -> JobFile | None:
    by_path = {file.path: file for file in files}
    return next((by_path[path] for path in PREVIEWS if path in by_path), None)
