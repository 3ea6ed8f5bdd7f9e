"""From a form to a job in the queue: everything that can be wrong with it is found here, not later."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import IO, Annotated, Any

from fastapi import Header

from service.accepting import add_job
from service.asking import keep_input
from service.backing import Backing
from service.upload import ARTWORK, Form, Uploaded, too_large
from worker.board_file import read_board_file
from worker.circuit_file import ARCHIVES, read_circuit_file, refuse_board_file
from worker.errors import CircuitError, ConflictError, ExpiredError, NotFoundError, SettingsError
from worker.fab_profile import FabProfile, check_two_sided, read_fab_profile
from worker.job import (
    BESIDE,
    BOARD_FILE,
    BOTTOM,
    CIRCUIT,
    CIRCUIT_FILE,
    CONVERTED,
    KEEP_OUT,
    InputFile,
    Job,
    JobRequest,
    Lane,
    conversion_fingerprint,
    read_lane,
)
from worker.job_settings import REPEATABLE, SETTINGS, Settings, check_against_fab, read_settings
from worker.table_reader import MAX_BYTES

FROM_JOB = "from_job"
PLAIN_FIELDS = ("fab", "lane", FROM_JOB)

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
    settings = settings_of_one(given)
    lane = read_lane(plain.get("lane", "batch"))
    fab = chosen_fab(backing, owner, plain)
    check_against_fab(settings, fab)
    files = files_of_form(backing, owner, form, plain, fab, spooled)
    sent = files[ARTWORK]
    if ARTWORK in form.files:
        backing.store.keep(sent.key, spooled[ARTWORK])
    inputs = {name: file for name, file in files.items() if name != ARTWORK}
    for name in inputs:
        if name in form.files:
            keep_input(backing, form.files[name], spooled[name])
    artwork, *further = (Uploaded(name=file.name, bytes=file.bytes, sha256=file.sha256) for file in files.values())
    request = conversion_request(
        owner, lane, fab, settings, artwork, dict(zip(inputs, further, strict=True)), inputs, key=key
    )
    return add_job(backing, request)


def settings_of_one(given: Mapping[str, Sequence[str]]) -> Settings:
    """The settings of one artwork. Raises SettingsError."""
    settings = read_settings(given)
    if settings.palette == "shared":
        raise SettingsError(
            "palette is shared, but a job has one artwork.",
            mend="Send the artworks as a collection, or say palette=each.",
            setting="palette",
        )
    return settings


def files_of_form(
    backing: Backing,
    owner: str,
    form: Form,
    plain: Mapping[str, str],
    fab: FabProfile,
    spooled: Mapping[str, IO[bytes]],
) -> dict[str, InputFile]:
    """The artwork and the further files of a request, checked, the artwork first; or those of `from_job`.

    Nothing is stored yet. Raises SettingsError, NotFoundError, ConflictError, BoardError, TooLargeError.
    """
    sent = {name: file for name, file in form.files.items() if file.bytes or name != ARTWORK}
    if plain.get(FROM_JOB):
        if sent:
            raise SettingsError(
                f"The request has {FROM_JOB} and the file {next(iter(sent))}.",
                mend="Send one of the two.",
                setting=FROM_JOB,
            )
        job = backing.ledger.jobs.get(owner, plain[FROM_JOB])
        if job.kind != "convert":
            raise ConflictError(
                f"Job {job.id} is a {job.kind}.", mend="Name a conversion; a series is made anew as a collection."
            )
        files = files_of_job(job)
    elif ARTWORK not in sent:
        raise SettingsError(
            "The request has no artwork.", mend=f"Send the file as the part named {ARTWORK}.", setting=ARTWORK
        )
    else:
        folders = {ARTWORK: "artworks", **dict.fromkeys(BESIDE, "inputs")}
        files = {name: _to_store(sent[name], folder) for name, folder in folders.items() if name in sent}
        if BOARD_FILE in sent:
            _check_board_file(spooled[BOARD_FILE], sent[BOARD_FILE])
        check_circuit(spooled, sent)
    if BOTTOM in files:
        _check_bottom(files[BOTTOM], fab)
    return files


def _to_store(sent: Uploaded, folder: str) -> InputFile:
    return InputFile(key=f"{folder}/{sent.sha256}", bytes=sent.bytes, sha256=sent.sha256, name=sent.name)


def files_of_job(job: Job) -> dict[str, InputFile]:
    """The artwork and the further files of a conversion, the artwork first. Raises ConflictError, ExpiredError."""
    if job.kind not in CONVERTED:
        raise ConflictError(f"Job {job.id} is a {job.kind}.", mend="Name a conversion.")
    if job.expired is not None:
        raise ExpiredError(f"The files of job {job.id} were given up.", mend="Send its artwork again.")
    artwork = InputFile(key=f"artworks/{job.artwork}", bytes=job.artwork_bytes, sha256=job.artwork, name=job.name)
    return {ARTWORK: artwork, **{name: job.inputs[name] for name in BESIDE if name in job.inputs}}


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
        settings=_text_of(settings),
        fingerprint=conversion_fingerprint(
            lane=lane,
            artwork=(sent.name, sent.sha256),
            fab_id=fab.id,
            settings=_text_of(settings),
            board_file=further[BOARD_FILE].sha256 if BOARD_FILE in further else None,
            bottom=(further[BOTTOM].name, further[BOTTOM].sha256) if BOTTOM in further else None,
            circuit=tuple(further[name].sha256 if name in further else "" for name in (CIRCUIT, CIRCUIT_FILE, KEEP_OUT))
            if CIRCUIT in further
            else None,
        ),
        idempotency_key=key,
        inputs=inputs,
    )


@lru_cache(maxsize=64)
def _text_of(settings: Settings) -> Mapping[str, Any]:
    """Settings as text, one and the same for the thousands of a collection."""
    return settings.as_text()


def sorted_fields(
    form: Form, plain_fields: Sequence[str] = PLAIN_FIELDS, files: Sequence[str] = (ARTWORK, *BESIDE)
) -> tuple[dict[str, str], dict[str, list[str]]]:
    """The plain fields of a form, each once, and its settings. Raises SettingsError. `files` : for its words."""
    plain: dict[str, str] = {}
    given: dict[str, list[str]] = {}
    for name, value in form.fields:
        if name in plain_fields:
            if name in plain:
                raise SettingsError(f"{name} is given twice.", mend="Give it once.", setting=name)
            plain[name] = value.strip()
        elif name in SETTINGS:
            given.setdefault(name, []).append(value)
            if len(given[name]) > 1 and name not in REPEATABLE:
                raise SettingsError(f"Setting {name} is given twice.", mend="Give it once.", setting=name)
        else:
            known = ", ".join((*files, *plain_fields, *SETTINGS))
            raise SettingsError(f"There is no setting {name[:64]!r}.", mend=f"Known parts: {known}.")
    return plain, given


def chosen_fab(backing: Backing, owner: str, plain: Mapping[str, str]) -> FabProfile:
    """The fab that a form names. Raises SettingsError."""
    if not plain.get("fab"):
        raise SettingsError(
            "The request names no fab.", mend="Send its id as the part named fab; see GET /v1/fabs.", setting="fab"
        )
    try:
        stored = backing.ledger.fabs.get(owner, plain["fab"])
    except NotFoundError as error:
        raise SettingsError(error.what, mend=error.mend, setting="fab") from error
    return read_fab_profile(stored.toml, file_name=f"fab {stored.id}")


def _check_board_file(spooled: IO[bytes], board: Uploaded) -> None:
    if board.bytes > MAX_BYTES:
        raise too_large(MAX_BYTES, BOARD_FILE)
    spooled.seek(0)
    read_board_file(spooled.read(), file_name=board.name)


def check_circuit(spooled: Mapping[str, IO[bytes]], sent: Mapping[str, Uploaded]) -> None:
    """Check what can be checked of a circuit before a worker unpacks it. Raises CircuitError, TooLargeError."""
    if CIRCUIT not in sent:
        for name in (CIRCUIT_FILE, KEEP_OUT):
            if name in sent:
                raise CircuitError(
                    f"The request has the file {name}, and no circuit.",
                    mend=f"Send its archive as {CIRCUIT}.",
                    setting=name,
                )
        return
    if BOARD_FILE in sent:
        refuse_board_file(sent[BOARD_FILE].name)
    spooled[CIRCUIT].seek(0)
    if not spooled[CIRCUIT].read(8).startswith(ARCHIVES):
        raise CircuitError(
            f"{sent[CIRCUIT].name} is no archive.", mend="Pack the circuit's Gerber and drill files as one ZIP."
        )
    if CIRCUIT_FILE in sent:
        if sent[CIRCUIT_FILE].bytes > MAX_BYTES:
            raise too_large(MAX_BYTES, CIRCUIT_FILE)
        spooled[CIRCUIT_FILE].seek(0)
        read_circuit_file(spooled[CIRCUIT_FILE].read(), file_name=sent[CIRCUIT_FILE].name)


def _check_bottom(bottom: InputFile, fab: FabProfile) -> None:
    if bottom.bytes == 0:
        raise SettingsError(
            "The artwork of the bottom is empty.", mend=f"Send a picture as {BOTTOM}, or leave it out.", setting=BOTTOM
        )
    check_two_sided(fab)
