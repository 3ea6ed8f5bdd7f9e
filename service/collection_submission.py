"""From a form with many artworks, or an archive of them, to a collection in the queue.

All that can be wrong with the request as a whole is said at once, and nothing is asked for then. What is wrong with one
artwork is kept beside it, and the others are converted.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import ExitStack
from typing import IO

from service.accepting import key_reused
from service.backing import Backing
from service.limits import most_waiting
from service.shared_submission import SERIES_FIELDS, as_series, read_series, with_shared_palette
from service.submission import check_circuit, chosen_fab, conversion_request, sorted_fields
from service.upload import Form, Uploaded
from worker.board_file import read_board_file
from worker.circuit_file import refuse_board_file
from worker.collection.archives import MEND, ArchivedFile, archived_files
from worker.collection.manifest import MAX_ARTWORKS, Manifest, read_manifest
from worker.collection.members import Member, plan_members
from worker.errors import ArtworkError, CircuitError, MaskwrightError, SettingsError
from worker.fab_profile import FabProfile, check_two_sided
from worker.job import (
    BOARD_FILE,
    BOTTOM,
    CIRCUIT,
    CIRCUIT_FILE,
    KEEP_OUT,
    Failure,
    InputFile,
    Lane,
    failure_of,
    read_lane,
)
from worker.job_settings import check_against_fab, read_settings
from worker.ledger.collections import Collection, CollectionRequest, MemberRequest
from worker.storage import ObjectStore

ARTWORK, ARCHIVE, MANIFEST = "artwork", "archive", "manifest"
OF_CIRCUIT = (CIRCUIT, CIRCUIT_FILE, KEEP_OUT)
"""Files that go along with every artwork."""
PLAIN_FIELDS = ("fab", "lane", "name", *SERIES_FIELDS)
MAX_NAME = 200
EMPTY = Failure(code="artwork", what="The file is empty.", mend="Send the picture's bytes.")


class KeptFiles:
    """The files of a collection by path, each in the store as soon as it is whole.

    faults : what could not be taken, and why. Where the request fails later, nobody owns the files, and the store's
    sweep takes them away.
    """

    def __init__(self, store: ObjectStore) -> None:
        self.store = store
        self.files: dict[str, Uploaded] = {}
        self.faults: dict[str, Failure] = {}
        self.paths: list[str] = []
        self._spooled = ExitStack()
        self._file: IO[bytes] | None = None

    def open(self) -> IO[bytes]:
        """Where the next file's bytes go."""
        self.drop()
        self._file = self._spooled.enter_context(self.store.spool())
        return self._file

    def close(self, sent: Uploaded) -> None:
        """Keep the file that was opened last. Raises SettingsError where another has its path."""
        self._add(sent.name)
        assert self._file is not None
        if sent.bytes:
            self.store.keep(f"artworks/{sent.sha256}", self._file)
            self.files[sent.name] = sent
        else:
            self.faults[sent.name] = EMPTY
        self.drop()

    def drop(self) -> None:
        """Let go of a file that did not come to its end."""
        self._spooled.close()
        self._file = None

    def unpack(self, archive: IO[bytes], name: str, most_bytes: int) -> None:
        """Take the files of an archive; a damaged one is put down as such."""
        for found in archived_files(archive, name=name, most_bytes=most_bytes):
            try:
                self._take(found)
            except ArtworkError as error:
                self.drop()
                self._add(found.path)
                self.faults[found.path] = failure_of(error)

    def _take(self, found: ArchivedFile) -> None:
        if found.fault:
            raise ArtworkError(f"The file {found.fault}.", mend=MEND)
        target, digest, count = self.open(), hashlib.sha256(), 0
        for chunk in found.chunks():
            target.write(chunk)
            digest.update(chunk)
            count += len(chunk)
        self.close(Uploaded(name=found.path, bytes=count, sha256=digest.hexdigest()))

    def _add(self, path: str) -> None:
        if path in self.files or path in self.faults:
            raise SettingsError(
                f"There are two files {path[:200]!r}.", mend="Give each a path of its own.", setting=ARTWORK
            )
        if len(self.files) + len(self.faults) >= MAX_ARTWORKS:
            raise SettingsError(
                f"There are more than {MAX_ARTWORKS:,} files.", mend="Split the collection.", setting=ARTWORK
            )
        self.paths.append(path)


def submit_collection(
    backing: Backing, owner: str, key: str | None, form: Form, kept: KeptFiles, spooled: Mapping[str, IO[bytes]]
) -> tuple[Collection, bool]:
    """Put what a form asks for into the queue.

    Returns the collection, and whether it is new: with an idempotency key seen before it is the collection of then.

    Raises
    ------
    SettingsError, OverrideError, ManifestError, CircuitError, CollectionArchiveError, ProtocolError,
    QueueFullError, StorageError
    """
    plain, given = sorted_fields(form, PLAIN_FIELDS, (ARTWORK, ARCHIVE, MANIFEST, *OF_CIRCUIT))
    lane = read_lane(plain.get("lane", "batch"))
    name = plain.get("name", "") or (form.files[ARCHIVE].name if ARCHIVE in form.files else "collection")
    if len(name) > MAX_NAME or not name.isprintable():
        raise SettingsError(
            "name is too long or holds control letters.", mend=f"Send at most {MAX_NAME} letters.", setting="name"
        )
    fab = chosen_fab(backing, owner, plain)
    manifest = Manifest()
    if MANIFEST in form.files:
        spooled[MANIFEST].seek(0)
        manifest = read_manifest(spooled[MANIFEST].read(), file_name=form.files[MANIFEST].name)
    shared = read_settings({**manifest.shared, **given})
    check_against_fab(shared, fab)  # what is said of all is wrong at once
    still = read_series(plain)
    circuit = _circuit(form, spooled, backing.store, series=still is not None)
    sent_alone = set(kept.files)
    if ARCHIVE in form.files:
        limit = backing.environment.max_upload_bytes
        kept.unpack(spooled[ARCHIVE], form.files[ARCHIVE].name, limit)
    paths = kept.paths
    if not paths:
        raise SettingsError(
            "The request has no artwork.",
            mend=f"Send files as parts named {ARTWORK}, or a ZIP or TAR as {ARCHIVE}.",
            setting=ARTWORK,
        )
    planned = plan_members(
        paths,
        manifest,
        {name: tuple(values) for name, values in given.items()},
        named=sent_alone,
        check=lambda settings: check_against_fab(settings, fab),
    )
    asked = {one.path: _asked(backing, owner, lane, fab, one, kept, circuit) for one in planned.members}
    asked |= {one.path: MemberRequest(path=one.path, failure=one.failure) for one in planned.refused}
    members = [asked[path] for path in paths if path in asked]
    if not members:
        raise SettingsError(
            "None of the files is an artwork.",
            mend="Send PNG, JPEG, TIFF, WebP, BMP, GIF or SVG, named as such.",
            setting=ARTWORK,
        )
    settings = {one.path: one.settings for one in planned.members}
    if still is None:
        members, made_of_many = with_shared_palette(members, settings, shared)
    else:
        members, made_of_many = as_series(members, settings, still, backing.store)
    request = CollectionRequest(
        owner=owner,
        name=name,
        fab_id=fab.id,
        fab_revision=fab.revision,
        fingerprint=_fingerprint(name, members),
        members=members,
        shared=made_of_many,
        skipped=planned.skipped,
        idempotency_key=key,
    )
    collection, new = backing.ledger.collections.add(request, most_waiting=most_waiting(backing, asked=False))
    if not new and collection.fingerprint != request.fingerprint:
        raise key_reused(key, f"collection {collection.id}")
    return collection, new


def _circuit(
    form: Form, spooled: Mapping[str, IO[bytes]], store: ObjectStore, *, series: bool
) -> dict[str, tuple[Uploaded, InputFile]]:
    """The circuit that every artwork lies beside, and what is said of it; nothing where there is none. CircuitError."""
    sent = {name: form.files[name] for name in OF_CIRCUIT if name in form.files and form.files[name].bytes}
    check_circuit(spooled, sent)
    if sent and series:
        raise CircuitError(
            "A series has no circuit: each of its boards would keep dots of the one before, beside other parts too.",
            mend="Leave series out: then each artwork lies beside the circuit by itself. Or leave the circuit out.",
        )
    out = {}
    for name, file in sent.items():
        key = f"inputs/{file.sha256}"
        store.keep(key, spooled[name])
        out[name] = file, InputFile(key=key, bytes=file.bytes, sha256=file.sha256, name=file.name)
    return out


def _asked(
    backing: Backing,
    owner: str,
    lane: Lane,
    fab: FabProfile,
    member: Member,
    kept: KeptFiles,
    circuit: Mapping[str, tuple[Uploaded, InputFile]],
) -> MemberRequest:
    """The job of an artwork, or what is wrong with the files that it needs."""
    beside = {name: path for name, path in ((BOTTOM, member.bottom), (BOARD_FILE, member.board_file)) if path}
    for path in (member.path, *beside.values()):
        if path in kept.faults:
            fault = kept.faults[path]
            what = fault.what if path == member.path else f"{path[:200]!r}, which goes with it: {fault.what}"
            return MemberRequest(path=member.path, failure=Failure(code=fault.code, what=what, mend=fault.mend))
    sent = kept.files[member.path]
    further = {name: kept.files[path] for name, path in beside.items()}
    try:
        if BOTTOM in further:
            check_two_sided(fab)
        if circuit and BOARD_FILE in further:
            refuse_board_file(member.board_file)
        inputs = {name: _input(backing.store, name, file) for name, file in further.items()}
    except MaskwrightError as error:
        return MemberRequest(path=member.path, failure=failure_of(error))
    further |= {name: file for name, (file, _) in circuit.items()}
    inputs |= {name: stored for name, (_, stored) in circuit.items()}
    named = Uploaded(name=member.path.rsplit("/", 1)[-1], bytes=sent.bytes, sha256=sent.sha256)
    return MemberRequest(
        path=member.path,
        request=conversion_request(owner, lane, fab, member.settings, named, further, inputs),
    )


def _input(store: ObjectStore, name: str, file: Uploaded) -> InputFile:
    """A further file of a job, out of what was kept as an artwork at first. Raises BoardError."""
    with store.open(f"artworks/{file.sha256}") as source, store.spool() as spooled:
        if name == BOARD_FILE:
            read_board_file(source.read(), file_name=file.name)
            source.seek(0)
        while chunk := source.read(1 << 20):
            spooled.write(chunk)
        key = f"inputs/{file.sha256}"
        store.keep(key, spooled)
    return InputFile(key=key, bytes=file.bytes, sha256=file.sha256, name=file.name.rsplit("/", 1)[-1])


def _fingerprint(name: str, members: list[MemberRequest]) -> str:
    told = [
        [member.path, member.request.fingerprint if member.request is not None else str(member.failure)]
        for member in members
    ]
    return hashlib.sha256(json.dumps([name, told]).encode()).hexdigest()
