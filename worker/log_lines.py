"""What the program says of its work: plain lines for people, or JSON lines for machines, with the id of the job.

A line never holds a name or byte of an artwork, nor a key: what is private to the job at hand, the keys of the
environment, the secrets of access keys and the signatures of links are struck out of it, whoever wrote it and in
whatever exception it stood.
"""

from __future__ import annotations

import json
import logging
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import PurePath
from typing import Any

from worker.access_key import without_secrets
from worker.job import Job
from worker.settings import Environment

STRUCK_OUT = "[private]"
LEAST_LETTERS = 4
"""A shorter name would be struck out of words that have nothing to do with it; its line says the job's id alone."""

_SIGNATURE = re.compile(r"(?<=signature=)[0-9a-f]{16,}")
"""Of a download link, which opens a result for whoever has it."""
_OWN = frozenset(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "color_message", "taskName"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _About:
    job_id: str
    private: tuple[str, ...]


_about: ContextVar[_About | None] = ContextVar("about", default=None)


@contextmanager
def about(job: Job) -> Iterator[None]:
    """Every line of this block carries the job's id, and not its artwork's name."""
    stem = PurePath(job.name).stem
    names = sorted({name for name in (job.name, stem) if len(name) >= LEAST_LETTERS}, key=len, reverse=True)
    before = _about.set(_About(job_id=job.id, private=tuple(names)))
    try:
        yield
    finally:
        _about.reset(before)


class _Struck(logging.Formatter):
    """Strikes out what is private."""

    def __init__(self, part: str, keys: tuple[str, ...]) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s: %(message)s")
        self.part = part
        self.keys = keys

    def struck(self, text: str) -> str:
        """The text without keys and names."""
        here = _about.get()
        for word in (*self.keys, *(here.private if here else ())):
            text = text.replace(word, STRUCK_OUT)
        return _SIGNATURE.sub(STRUCK_OUT, without_secrets(text, STRUCK_OUT))


class PlainLines(_Struck):
    """Day, level, place, what, and the job it is about."""

    def format(self, record: logging.LogRecord) -> str:
        line = super().format(record)
        here = _about.get()
        job_id = getattr(record, "job", here.job_id if here else None)
        if job_id and job_id not in line:
            first, *rest = line.split("\n")
            line = "\n".join([f"{first} (job {job_id})", *rest])
        return self.struck(line)


class JsonLines(_Struck):
    """One JSON object (RFC 8259) on each line, with time (RFC 3339), level, part, logger, message, job and more."""

    def format(self, record: logging.LogRecord) -> str:
        here = _about.get()
        said: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "part": self.part,
            "logger": record.name,
            "message": record.getMessage(),
        }
        if here:
            said["job"] = here.job_id
        said |= {name: value for name, value in record.__dict__.items() if name not in _OWN}
        if record.exc_info:
            said["exception"] = self.formatException(record.exc_info)
        return json.dumps({name: self._plain(value) for name, value in said.items()}, ensure_ascii=False)

    def _plain(self, value: Any) -> Any:
        return value if isinstance(value, (bool, int, float)) or value is None else self.struck(str(value))


QUIET = ("alembic", "celery.app.trace", "celery.worker.strategy", "opentelemetry", "pyvips", "urllib3")
"""They would say a line or more for every job."""


def set_up_logging(environment: Environment, part: str) -> None:
    """Have this process, and those it forks, write their lines to standard error, in the environment's form."""
    keys = tuple(
        secret.get_secret_value()
        for secret in (environment.key, environment.secret, environment.s3_secret)
        if len(secret.get_secret_value()) >= LEAST_LETTERS
    )
    kind = JsonLines if environment.log_format == "json" else PlainLines
    handler = logging.StreamHandler(sys.stderr)
    formatter = kind(part, keys)
    formatter.converter = time.gmtime
    handler.setFormatter(formatter)
    logging.basicConfig(level=environment.log_level.upper(), handlers=[handler], force=True)
    logging.captureWarnings(True)
    for name in QUIET:
        logging.getLogger(name).setLevel(logging.WARNING)
