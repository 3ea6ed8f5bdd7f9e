"""What a job asks for and what is known of it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from worker.errors import MaskwrightError, SettingsError

State = Literal["queued", "running", "done", "failed", "cancelled"]
Lane = Literal["batch", "interactive"]

LANES: tuple[Lane, ...] = ("batch", "interactive")
LIVE: tuple[State, ...] = ("queued", "running")
FINAL: tuple[State, ...] = ("done", "failed", "cancelled")

LASTING = ("convert", "piece", "panel", "palette", "series-plan")
"""Kinds whose results stay until their time is over."""

KINDS = (
    *LASTING,
    "references",
    "preview",
    "photograph",
    "readings",
    "contact-sheet",
    "look",
    "plan",
    "animation",
    "circuit",
)
"""What a job can be. `convert`: artwork to finish masks with their score. `piece`: the same of a piece of a series.
`panel`: results on one panel. `palette`: one palette of many artworks. `series-plan`: what all pieces of a series
share, and the frames of an animation. `references`: the colours that a profile's readings give. `preview`: a finished
job scored anew with other references. `photograph`: readings from a photograph. `readings`: a profile with a file's
readings. `contact-sheet`: a picture of many jobs' previews. `look`: pictures of a conversion, or of a draft of one.
`plan`: what several fabs' boards would show of an artwork. `animation`: a series in motion.
`circuit`: what the files of a circuit are."""

ASKED = KINDS[len(LASTING) :]
"""Kinds whose answer a request waits for: it stands in the job's summary under ANSWER, and is kept for a while only."""

MADE_OF_MANY = ("palette", "series-plan")
"""Kinds whose result many jobs need: where one fails, so do they."""

CONVERTED = ("convert", "piece")
"""Kinds whose result is a board."""

NEEDED = (*MADE_OF_MANY, "piece")
"""Kinds whose result other jobs may wait for."""

PALETTE_FILE, PLAN_FILE, FRAMES, PREVIOUS_FILE, FRAME_FILE = (
    "palette.npz",
    "plan.zip",
    "frames/",
    "continuity.npz",
    "frame.png",
)
"""Result files: of `palette`; of `series-plan`, frames by number; what a `piece` leaves for the next, and its frame."""

ANIMATION = "animation"
"""The result file of `animation`, and the further file of `series-plan` that holds an animated artwork."""

ANSWER = "answer"

SHEET = "contact-sheet.png"
"""Name of the result file of `contact-sheet`."""

STAGES = ("artwork", "colours", "finishes", "separation", "score", "layers", "files", "proof")
"""The stages of `convert`, in order; "layers" and "proof" only where fabrication files are asked for."""

ARTWORK = "artwork"
"""Name of the further file of `look` and `plan` that holds the artwork."""

FAB = "fab-"
"""How the names of the further files of `plan` begin that hold the fabs' profiles; their ids follow."""

BOARD_FILE = "board_file"
"""Name of the further file of `convert` that holds the board's outline, cut-outs and holes."""

BOTTOM = "bottom"
"""Name of the further file of `convert` that holds the artwork of the bottom, as it is seen from outside."""

CIRCUIT, CIRCUIT_FILE, KEEP_OUT = "circuit", "circuit_file", "keep_out"
"""Names of the further files of `convert` that hold the circuit that art lies beside, what is said of it, and a picture
of where art keeps out."""

BESIDE = (BOTTOM, BOARD_FILE, CIRCUIT, CIRCUIT_FILE, KEEP_OUT)
"""All further files that a `convert` is asked for with."""

PANEL_FILE = "panel_file"
"""Name of the further file of `panel` that holds the panel file; the others are results' files, by number and path."""

LOCAL_OWNER = "local"


def read_lane(text: str) -> Lane:
    """The lane of this name. Raises SettingsError."""
    for lane in LANES:
        if lane == text:
            return lane
    raise SettingsError(f"lane is {text!r}.", mend=f"Choose one of: {', '.join(LANES)}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """A file that a job reads beside its artwork: `bytes` bytes from `start` on of an object of the store.

    `name` is what people call it, where that matters.
    """

    key: str
    bytes: int
    sha256: str
    start: int = 0
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRequest:
    """What is asked for. `artwork` is the SHA-256 of the file, `fab_revision` the exact revision of its profile.

    `artwork` is "" for a kind that has none. `inputs` are further files, by the names that the kind gives them.
    `fingerprint` is equal for equal requests, so that an idempotency key can't stand for two different ones. `needs`
    are fingerprints of requests made along with it: it waits until those have ended, and gets their files as inputs.
    """

    owner: str
    kind: str
    lane: Lane
    name: str
    artwork: str
    artwork_bytes: int
    fab_id: str
    fab_revision: str
    settings: Mapping[str, Any]
    fingerprint: str
    idempotency_key: str | None = None
    inputs: Mapping[str, InputFile] = field(default_factory=dict)
    needs: tuple[str, ...] = ()


def conversion_fingerprint(
    *,
    lane: Lane,
    artwork: tuple[str, str],
    fab_id: str,
    settings: Mapping[str, Any],
    board_file: str | None,
    bottom: tuple[str, str] | None,
    circuit: tuple[str, ...] | None = None,
) -> str:
    """Equal for equal requests of `convert`. Files by their SHA-256, artworks by name and SHA-256; settings as text.

    `circuit` : the SHA-256 of its archive, of what is said of it and of where art keeps out, "" for nothing.
    """
    asked: list[Any] = ["convert", lane, *artwork, fab_id, settings]
    asked += [one if isinstance(one, str) else list(one) for one in (board_file, bottom) if one is not None]
    asked += [] if circuit is None else [{"circuit": list(circuit)}]
    return hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """Why a job failed: stable code, what is wrong, what to do, and the one setting that it is about."""

    code: str
    what: str
    mend: str
    setting: str | None = None


def failure_of(error: MaskwrightError) -> Failure:
    """An error as what a job, or an artwork of a collection, failed by."""
    return Failure(code=error.code, what=error.what, mend=error.mend, setting=error.setting)


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a job is: the stage's name, and `done` of `of` parts of it."""

    stage: str
    done: int
    of: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """All that is known of one job. Times in seconds since 1970, UTC; `version` rises with every change.

    `expired` says when its files were given up.
    """

    seq: int
    id: str
    owner: str
    kind: str
    lane: Lane
    state: State
    name: str
    artwork: str
    artwork_bytes: int
    fab_id: str
    fab_revision: str
    settings: Mapping[str, Any]
    fingerprint: str
    attempt: int
    created: float
    started: float | None
    finished: float | None
    progress: Progress | None
    failure: Failure | None
    summary: Mapping[str, Any] | None
    version: int
    inputs: Mapping[str, InputFile] = field(default_factory=dict)
    expired: float | None = None


def request_of(job: Job) -> JobRequest:
    """What asks for the same again, by no idempotency key."""
    return JobRequest(
        owner=job.owner,
        kind=job.kind,
        lane=job.lane,
        name=job.name,
        artwork=job.artwork,
        artwork_bytes=job.artwork_bytes,
        fab_id=job.fab_id,
        fab_revision=job.fab_revision,
        settings=job.settings,
        fingerprint=job.fingerprint,
        inputs=job.inputs,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A job that this process may work on, with the token that fences its results, and its fab profile's bytes.

    Among its inputs are the files of the jobs that it needed.
    """

    job: Job
    token: str
    fab_toml: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """The last sign of life of a running job: equal signs, looked at one after the other, mean that it was silent."""

    job_id: str
    token: str
    beats: int
    task_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFile:
    """One result file: its path, where its bytes begin in the result's archive, size, SHA-256, media type."""

    path: str
    start: int
    bytes: int
    sha256: str
    media_type: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """A job's whole result: one archive in the object store, its size, and the files in it, in order.

    `sha256` is the archive's own; None for a result of an earlier version, whose files alone were hashed.
    """

    key: str
    bytes: int
    files: tuple[JobFile, ...]
    sha256: str | None = None

    def file(self, path: str) -> JobFile | None:
        """The file of this path, if there is one."""
        return next((file for file in self.files if file.path == path), None)
