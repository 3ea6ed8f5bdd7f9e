"""From a form to a job in the queue: everything that can be wrong with it is found here, not later."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import IO, Annotated, Any

from fastapi import Header

from service.asking import keep_input
from service.backing import Backing
from service.errors import ProtocolError
from service.limits import most_waiting
from service.upload import ARTWORK, Form, Uploaded, too_large
from worker.board_file import MAX_BYTES, read_board_file
from worker.errors import NotFoundError, SettingsError
from worker.fab_profile import FabProfile, check_two_sided, read_fab_profile
from worker.job import BOARD_FILE, BOTTOM, InputFile, Job, JobRequest, Lane, conversion_fingerprint, read_lane
from worker.job_settings import REPEATABLE, SETTINGS, Settings, check_against_fab, read_settings

PLAIN_FIELDS = ("fab", "lane")

IdempotencyKey = Annotated[
    str | None,
    Header(
        min_length=1,
        max_length=255,
        description="any text of yours: the same request with the same key is taken once",
        examples=["badge-series-1"],
    ),
]


def setting_schemas(of_what: str = "") -> dict[str, dict[str, Any]]:
    """The settings as properties of a form's schema, their meanings after `of_what`."""
    properties = {}
    for name, (example, default, meaning) in SETTINGS.items():
        one: dict[str, Any] = {"type": "string", "example": example}
        schema = {"type": "array", "items": one} if name in REPEATABLE else {**one, "default": default}
        properties[name] = {**schema, "description": f"{of_what}{meaning}"}
    return properties


def submit(
    backing: Backing, owner: str, key: str | None, form: Form, spooled: Mapping[str, IO[bytes]]
) -> tuple[Job, bool]:
    """Check a form, store its files and put the job into the queue.

    Returns the job, and whether it is new: with an idempotency key seen before it is the job of then.

    Raises
    ------
    SettingsError, OverrideError, BoardError, ProtocolError, StorageError, UnavailableError
    """
    plain, given = sorted_fields(form)
    sent = form.files.get(ARTWORK)
    if sent is None or sent.bytes == 0:
        raise SettingsError("The request has no artwork.", mend=f"Send the file as the part named {ARTWORK}.")
    settings = read_settings(given)
    if settings.palette == "shared":
        raise SettingsError(
            "palette is shared, but a job has one artwork.",
            mend="Send the artworks as a collection, or say palette=each.",
        )
    lane = read_lane(plain.get("lane", "batch"))
    fab = chosen_fab(backing, owner, plain)
    check_against_fab(settings, fab)
    further = {name: form.files[name] for name in (BOTTOM, BOARD_FILE) if name in form.files}
    if BOTTOM in further:
        _check_bottom(further[BOTTOM], fab)
    if BOARD_FILE in further:
        _check_board_file(spooled[BOARD_FILE], further[BOARD_FILE])
    backing.store.keep(f"artworks/{sent.sha256}", spooled[ARTWORK])
    inputs = {name: keep_input(backing, file, spooled[name]) for name, file in further.items()}
    request = conversion_request(owner, lane, fab, settings, sent, further, inputs, key=key)
    job, new = backing.ledger.jobs.add(request, most_waiting=most_waiting(backing, asked=False))
    if not new and job.fingerprint != request.fingerprint:
        raise ProtocolError(
            "key-reused",
            f"The Idempotency-Key {key!r} stands for another request, job {job.id}.",
            mend="Use a new key for a new request.",
        )
    return job, new


def conversion_request(
    owner: str,
    lane: Lane,
    fab: FabProfile,
    settings: Settings,
    sent: Uploaded,
    further: Mapping[str, Uploaded],
    inputs: Mapping[str, InputFile],
    *,
    key: str | None = None,
) -> JobRequest:
    """What the ledger is asked for: an artwork, and the `further` files of its board, stored as `inputs`."""
    return JobRequest(
        owner=owner,
        kind="convert",
        lane=lane,
        name=sent.name,
        artwork=sent.sha256,
        artwork_bytes=sent.bytes,
        fab_id=fab.id,
        fab_revision=fab.revision,
        settings=settings.as_text(),
        fingerprint=conversion_fingerprint(
            lane=lane,
            artwork=(sent.name, sent.sha256),
            fab_id=fab.id,
            settings=settings.as_text(),
            board_file=further[BOARD_FILE].sha256 if BOARD_FILE in further else None,
            bottom=(further[BOTTOM].name, further[BOTTOM].sha256) if BOTTOM in further else None,
        ),
        idempotency_key=key,
        inputs=inputs,
    )


def sorted_fields(
    form: Form, plain_fields: Sequence[str] = PLAIN_FIELDS, files: Sequence[str] = (ARTWORK, BOTTOM, BOARD_FILE)
) -> tuple[dict[str, str], dict[str, list[str]]]:
    """The plain fields of a form, each once, and its settings. Raises SettingsError. `files` : for its words."""
    plain: dict[str, str] = {}
    given: dict[str, list[str]] = {}
    for name, value in form.fields:
        if name in plain_fields:
            if name in plain:
                raise SettingsError(f"{name} is given twice.", mend="Give it once.")
            plain[name] = value.strip()
        elif name in SETTINGS:
            given.setdefault(name, []).append(value)
            if len(given[name]) > 1 and name not in REPEATABLE:
                raise SettingsError(f"Setting {name} is given twice.", mend="Give it once.")
        else:
            known = ", ".join((*files, *plain_fields, *SETTINGS))
            raise SettingsError(f"There is no setting {name[:64]!r}.", mend=f"Known parts: {known}.")
    return plain, given


def chosen_fab(backing: Backing, owner: str, plain: Mapping[str, str]) -> FabProfile:
    """The fab that a form names. Raises SettingsError."""
    if not plain.get("fab"):
        raise SettingsError("The request names no fab.", mend="Send its id as the part named fab; see GET /v1/fabs.")
    try:
        stored = backing.ledger.fabs.get(owner, plain["fab"])
    except NotFoundError as error:
        raise SettingsError(error.what, mend=error.mend) from error
    return read_fab_profile(stored.toml, file_name=f"fab {stored.id}")


def _check_board_file(spooled: IO[bytes], board: Uploaded) -> None:
    if board.bytes > MAX_BYTES:
        raise too_large(MAX_BYTES, BOARD_FILE)
    spooled.seek(0)
    read_board_file(spooled.read(), file_name=board.name)


def _check_bottom(bottom: Uploaded, fab: FabProfile) -> None:
    if bottom.bytes == 0:
        raise SettingsError("The artwork of the bottom is empty.", mend=f"Send a picture as {BOTTOM}, or leave it out.")
    check_two_sided(fab)
