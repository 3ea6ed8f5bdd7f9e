"""Reads a multipart request as it streams in: files to spooled files, the settings to memory, within limits."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import IO, Any, Protocol

from fastapi import Request
from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.concurrency import run_in_threadpool

from service.errors import ProtocolError
from worker.collection.archives import MAX_PATH
from worker.errors import SettingsError, TooLargeError

ARTWORK = "artwork"
MAX_FIELDS = 200
MAX_FIELD_BYTES = 4096
MAX_NAME_BYTES = 255


@dataclass(frozen=True, slots=True, kw_only=True)
class Uploaded:
    """What is known of a file that came in."""

    name: str
    bytes: int
    sha256: str


@dataclass(slots=True)
class Form:
    """What came in: fields in order, and the files by the names of their parts."""

    fields: list[tuple[str, str]] = field(default_factory=list)
    files: dict[str, Uploaded] = field(default_factory=dict)


class ManyFiles(Protocol):
    """Takes files of which a request may have many, one after the other."""

    def open(self) -> IO[bytes]:
        """Where the next file's bytes go."""

    def close(self, sent: Uploaded) -> None:
        """The file that was opened last has come in whole."""


class _Parts:
    """Takes the parser's events."""

    def __init__(
        self,
        spooled: Mapping[str, IO[bytes]],
        many: Mapping[str, ManyFiles],
        limits: Mapping[str, int],
        undigested: Collection[str],
    ) -> None:
        self.undigested = undigested
        self.form = Form()
        self.spooled = spooled
        self.many = many
        self.limits = limits
        self.target: IO[bytes] | None = None
        self.digest: Any = None
        self.file_name = ""
        self.bytes = 0
        self.header = bytearray()
        self.value = bytearray()
        self.disposition = b""
        self.name = ""
        self.parts = 0
        self.data = bytearray()
        self.ended = False

    def begin(self) -> None:
        self.disposition = b""
        self.data.clear()

    def header_name(self, data: bytes, start: int, end: int) -> None:
        self.header += data[start:end]

    def header_value(self, data: bytes, start: int, end: int) -> None:
        self.value += data[start:end]

    def header_end(self) -> None:
        if self.header.lower() == b"content-disposition":
            self.disposition = bytes(self.value)
        self.header.clear()
        self.value.clear()

    def headers_end(self) -> None:
        _, options = parse_options_header(self.disposition)
        self.name = options.get(b"name", b"").decode("utf-8", "replace")
        self.target = None
        given = options.get(b"filename", b"")
        if self.name in self.many:
            self.file_name = _path(given, self.name)
            self.target = self.many[self.name].open()
        else:
            self.parts += 1
            if self.parts > MAX_FIELDS:
                raise TooLargeError(f"The request has more than {MAX_FIELDS} parts.", mend="Send fewer settings.")
            if self.name not in self.spooled:
                return
            if self.name in self.form.files:
                raise SettingsError(f"The request has two parts named {self.name}.", mend="Send one in each request.")
            self.file_name = _file_name(given, self.name)
            self.target = self.spooled[self.name]
        self.digest = None if self.name in self.undigested else hashlib.sha256()
        self.bytes = 0

    def content(self, data: bytes, start: int, end: int) -> None:
        if self.target is None:
            self.data += data[start:end]
            if len(self.data) > MAX_FIELD_BYTES:
                raise TooLargeError(f"Field {self.name[:64]!r} is over {MAX_FIELD_BYTES} bytes.", mend="Shorten it.")
            return
        self.bytes += end - start
        if self.bytes > self.limits[self.name]:
            raise too_large(self.limits[self.name], self.name)
        chunk = memoryview(data)[start:end]
        if self.digest is not None:
            self.digest.update(chunk)
        self.target.write(chunk)

    def end(self) -> None:
        if self.target is None:
            self.form.fields.append((self.name, self.data.decode("utf-8", "replace")))
            return
        sha256 = "" if self.digest is None else self.digest.hexdigest()
        sent = Uploaded(name=self.file_name, bytes=self.bytes, sha256=sha256)
        if self.name in self.many:
            self.many[self.name].close(sent)
        else:
            self.form.files[self.name] = sent

    def end_all(self) -> None:
        self.ended = True


def too_large(limit: int, name: str) -> TooLargeError:
    """The error for a file over the limit, in bytes."""
    return TooLargeError(
        f"The {name} is over {limit} bytes.",
        mend="Send a smaller or better compressed file, or raise MASKWRIGHT_MAX_UPLOAD_BYTES.",
    )


async def read_body(request: Request, most: int, what: str) -> bytes:
    """The body of a request, in memory. Raises TooLargeError. `what` : it is, for people."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > most:
            raise TooLargeError(f"The {what} is over {most} bytes.", mend="Shorten it.")
    return bytes(body)


def form_described(
    schema: Mapping[str, Any], examples: Mapping[str, Any], *, repeated: Sequence[str] = ()
) -> dict[str, Any]:
    """A form as the API's description has it. `repeated` : parts of which there may be many."""
    form: dict[str, Any] = {"schema": dict(schema), "examples": dict(examples)}
    if repeated:
        form["encoding"] = {name: {"style": "form", "explode": True} for name in repeated}
    return {"requestBody": {"required": True, "content": {"multipart/form-data": form}}}


async def read_form(
    request: Request,
    spooled: Mapping[str, IO[bytes]],
    limit: int,
    *,
    many: Mapping[str, ManyFiles] | None = None,
    limits: Mapping[str, int] | None = None,
    whole: int | None = None,
    undigested: Collection[str] = (),
) -> Form:
    """Read the whole request; the parts that are named in `spooled` are files and go there.

    Parameters
    ----------
    limit : largest file in bytes. Reading stops as soon as it is passed.
    many : parts of which there may be many, which are files as well, with paths.
    limits : largest file of some parts, in place of `limit`.
    whole : largest request in bytes, where it is not what the files of `spooled` add up to.
    undigested : parts whose SHA-256 nobody asks for; it is "".

    Raises
    ------
    ProtocolError, SettingsError, TooLargeError
    """
    kind, options = parse_options_header(request.headers.get("content-type", ""))
    if kind != b"multipart/form-data" or not options.get(b"boundary"):
        raise ProtocolError("media-type", "The request is not multipart/form-data.", mend="Send it as a form.")
    most = whole or limit * len(spooled) + MAX_FIELDS * (MAX_FIELD_BYTES + 1024)
    if int(request.headers.get("content-length") or 0) > most:
        raise too_large(whole or limit, "request" if whole else " or ".join(spooled))
    parts = _Parts(
        spooled, many or {}, {**dict.fromkeys((*spooled, *(many or ())), limit), **(limits or {})}, undigested
    )
    try:
        parser = MultipartParser(
            options[b"boundary"],
            {
                "on_part_begin": parts.begin,
                "on_header_field": parts.header_name,
                "on_header_value": parts.header_value,
                "on_header_end": parts.header_end,
                "on_headers_finished": parts.headers_end,
                "on_part_data": parts.content,
                "on_part_end": parts.end,
                "on_end": parts.end_all,
            },
            max_size=most,
        )
        async for chunk in request.stream():
            if chunk:
                await run_in_threadpool(parser.write, chunk)
        parser.finalize()
    except FormParserError as error:
        raise ProtocolError(
            "bad-request", f"The form can't be read: {error}.", mend="Send well-formed parts."
        ) from error
    if not parts.ended:
        raise ProtocolError("bad-request", "The form ends before its last boundary.", mend="Send it whole.")
    return parts.form


def _file_name(given: bytes, otherwise: str) -> str:
    """The last part of the sender's path, without control characters: a label, never a path of ours."""
    name = _printable(given).rsplit("/", 1)[-1].strip()
    return name.encode()[:MAX_NAME_BYTES].decode("utf-8", "ignore") or otherwise


def _path(given: bytes, otherwise: str) -> str:
    """The sender's path without control characters, each part of it a label, never a path of ours."""
    parts = [part.strip() for part in _printable(given).split("/")]
    return "/".join(part for part in parts if part not in ("", ".", ".."))[-MAX_PATH:] or otherwise


def _printable(given: bytes) -> str:
    name = given.decode("utf-8", "replace").replace("\\", "/")
    return "".join(letter for letter in name if letter.isprintable())
