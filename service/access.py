"""Who is let in: with a key, whoever carries it; without any, only this machine.

As soon as there is a key, the one of MASKWRIGHT_KEY or one that `maskwright keys` made, every request must carry one;
also once all of them are revoked or have expired, so that no door opens by itself.
"""

from __future__ import annotations

import hmac
import logging
from collections.abc import Callable
from typing import cast
from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Receive, Scope, Send

from service.backing import Backing
from service.callers import LOCAL, Caller
from service.errors import ProtocolError, error_response
from worker.access_key import ENVIRONMENT_KEY, split_key
from worker.errors import MaskwrightError, fit_to_show
from worker.job import LOCAL_OWNER
from worker.ledger.keys import StoredKey
from worker.loopback import is_loopback
from worker.settings import Environment

log = logging.getLogger(__name__)

OPEN_PATHS = ("/livez", "/readyz")
"""Answered without a key, for the health checks of what runs the service."""

SHARED = "/v1/shared/"
"""Answered without a key: the link itself is the permission."""

PAGE = "/page/"
"""Below it lie the files of the web page, which are the same for everybody; the page itself is /."""

SESSION = "/v1/session"
COOKIE = "maskwright_key"
"""A browser keeps its key in this cookie, out of reach of scripts, once it has signed in at SESSION."""
_SAFE = ("GET", "HEAD", "OPTIONS")

KEY_MEND = "Send one as the header Authorization: Bearer KEY. maskwright keys make makes keys; MASKWRIGHT_KEY is one."
_FORWARDED = ("forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-real-ip")


class Access:
    """Middleware that lets a request in, as its caller, or answers why not."""

    def __init__(self, app: ASGIApp, *, environment: Environment) -> None:
        self.app = app
        self.key = environment.key.get_secret_value()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or is_open(scope["path"]):
            return await self.app(scope, receive, send)
        headers = Headers(scope=scope)
        try:
            backing = cast(Backing, scope["app"].state.backing)
            if scope["path"] == SESSION and scope["method"] in ("POST", "DELETE"):
                check_same_origin(scope, headers)
                scope.setdefault("state", {})["access"] = self
                return await self.app(scope, receive, send)
            authorization = headers.get("authorization")
            if authorization is None:
                authorization = await run_in_threadpool(self._from_cookie, backing, scope, headers)
            caller = await run_in_threadpool(self.caller, backing, authorization)
            if caller is None:
                check_local(scope, headers)
        except MaskwrightError as error:
            return await error_response(error)(scope, receive, send)
        scope.setdefault("state", {})["caller"] = caller or LOCAL
        return await self.app(scope, receive, send)

    def _from_cookie(self, backing: Backing, scope: Scope, headers: Headers) -> str | None:
        """The key of a browser that has signed in, as it would be sent otherwise. Raises ProtocolError.

        Where none is asked for it does not count: it may be another service's, on another port of this machine.
        """
        key = cookie_parser(headers.get("cookie", "")).get(COOKIE)
        if not key or not self.asks_for_keys(backing):
            return None
        check_same_origin(scope, headers)
        return f"Bearer {key}"

    def asks_for_keys(self, backing: Backing) -> bool:
        """Whether every request must carry a key."""
        return bool(self.key) or backing.ledger.keys.exist()

    def caller(self, backing: Backing, authorization: str | None) -> Caller | None:
        """Whose key it is, or None where no key is asked for and none was sent. Raises ProtocolError."""
        if authorization is None:
            if self.asks_for_keys(backing):
                raise _no_entry("The request carries no key.", KEY_MEND)
            return None
        kind, _, given = authorization.partition(" ")
        given = given.strip()
        if kind.lower() != "bearer":
            raise _no_entry("The key is not sent as Bearer.", KEY_MEND)
        if self.key and hmac.compare_digest(given.encode(), self.key.encode()):
            _note(backing.note_environment_key_use)
            return Caller(owner=LOCAL_OWNER, key=ENVIRONMENT_KEY)
        key = _checked(backing, given)
        _note(lambda: backing.ledger.keys.note_use(key))
        backing.welcome(key.owner)
        return Caller(owner=key.owner, key=key.id, scopes=key.scopes)


def is_open(path: str) -> bool:
    """Whether a path is answered to everybody."""
    return path == "/" or path in OPEN_PATHS or path.startswith((SHARED, PAGE))


def check_same_origin(scope: Scope, headers: Headers) -> None:
    """Raise ProtocolError where another site's page may be asking with a browser's cookie.

    The cookie is SameSite=Strict, so a browser sends it with no request of another site's page; this holds where one
    does, and against other ports and names of the same site.
    """
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    followed = scope["method"] == "GET" and headers.get("sec-fetch-mode") == "navigate"
    foreign = site in ("cross-site", "same-site") and not followed
    named = origin is not None and _place(origin) == headers.get("host", "")
    if foreign or (not named and (origin is not None or scope["method"] not in _SAFE)):
        raise ProtocolError(
            "forbidden",
            f"The request comes from {'another page' if origin is None else fit_to_show(origin)}, "
            "not from this service's own page.",
            mend="Use the page of this service. A proxy before it has to pass on Host as it was asked.",
        )


def _checked(backing: Backing, given: str) -> StoredKey:
    """The key that was sent, if it is one, of this service, and still good. Raises ProtocolError."""
    parts = split_key(given)
    found = None if parts is None else backing.ledger.keys.find(parts.id)
    if parts is None or found is None:
        raise _wrong("The key is wrong.", KEY_MEND)
    key, digest = found
    if key.secret_id != backing.secret.id:
        raise _wrong(
            f"Key {key.id} was made under another secret than this service has.",
            "Give every machine the same MASKWRIGHT_SECRET, or bring back the file secret, or make a new key.",
        )
    if not hmac.compare_digest(parts.digest(backing.secret), digest):
        raise _wrong("The key is wrong.", KEY_MEND)
    if key.state != "usable":
        ended = "was revoked" if key.state == "revoked" else "has expired"
        raise _wrong(f"Key {key.id} {ended}.", "Ask the admin for a new one.")
    return key


def _note(note: Callable[[], None]) -> None:
    """Write a use down; a full disk keeps nobody from reading."""
    try:
        note()
    except MaskwrightError as error:
        log.warning("use of a key not written down: %s", error)


def _no_entry(what: str, mend: str) -> ProtocolError:
    return ProtocolError("access", what, mend=mend, headers={"WWW-Authenticate": "Bearer"})


def _wrong(what: str, mend: str) -> ProtocolError:
    return ProtocolError("access", what, mend=mend, headers={"WWW-Authenticate": 'Bearer error="invalid_token"'})


def check_local(scope: Scope, headers: Headers) -> None:
    """Raise ProtocolError unless a request without a key comes from a program or a page of this machine.

    Any page in this machine's browser can send requests here. What tells a foreign one: its name in Host, where it made
    its own name lead here (DNS rebinding), in Origin, or in Sec-Fetch-Site. What a proxy passes on may come from
    anywhere.
    """
    address = (scope.get("server") or ("", None))[0]
    if not is_loopback(address):
        raise ProtocolError(
            "forbidden",
            "The service listens where other machines can reach it, and there is no key.",
            mend="Set MASKWRIGHT_KEY and start it again, or make a key with maskwright keys make.",
        )
    forwarded = next((name for name in _FORWARDED if name in headers), None)
    if forwarded is not None:
        raise ProtocolError(
            "forbidden",
            f"The request was passed on by a proxy ({forwarded}), and there is no key.",
            mend="Set MASKWRIGHT_KEY or make a key with maskwright keys make: what a proxy passes on needs one.",
        )
    origin, host = headers.get("origin"), headers.get("host", "")
    foreign = headers.get("sec-fetch-site") in ("cross-site", "same-site")
    if foreign and scope["method"] == "GET" and headers.get("sec-fetch-mode") == "navigate":
        foreign = False  # somebody follows a link to here: the other page sees nothing of the answer
    if foreign or not is_loopback(_name(host)) or (origin is not None and _place(origin) != host):
        raise ProtocolError(
            "forbidden",
            "Without a key, only programs and pages of this machine may ask.",
            mend="Ask 127.0.0.1 or localhost directly, or set MASKWRIGHT_KEY.",
        )


def _name(host: str) -> str:
    """The name or address in a Host header, "" where there is none."""
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def _place(origin: str) -> str | None:
    try:
        return urlsplit(origin).netloc
    except ValueError:
        return None
