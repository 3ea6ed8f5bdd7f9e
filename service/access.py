"""Who may ask: with a key, whoever carries it; without one, only this machine."""

from __future__ import annotations

import hmac
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from service.errors import ProtocolError, error_response
from worker.errors import AccessError, MaskwrightError
from worker.job import LOCAL_OWNER
from worker.loopback import is_loopback
from worker.settings import Environment

OPEN_PATHS = ("/livez", "/readyz")
"""Answered without a key, for the health checks of what runs the service."""

KEY_MEND = "Send the key of MASKWRIGHT_KEY as the header Authorization: Bearer KEY."


class Access:
    """Middleware that lets a request in, under its owner's name, or answers why not."""

    def __init__(self, app: ASGIApp, *, environment: Environment) -> None:
        self.app = app
        self.key = environment.key.get_secret_value()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"] in OPEN_PATHS:
            return await self.app(scope, receive, send)
        try:
            self._check(scope, Headers(scope=scope))
        except MaskwrightError as error:
            return await error_response(error)(scope, receive, send)
        scope.setdefault("state", {})["owner"] = LOCAL_OWNER
        return await self.app(scope, receive, send)

    def _check(self, scope: Scope, headers: Headers) -> None:
        if self.key:
            kind, _, given = headers.get("authorization", "").partition(" ")
            if kind.lower() != "bearer" or not hmac.compare_digest(given.strip().encode(), self.key.encode()):
                raise AccessError("The key is missing or wrong.", mend=KEY_MEND)
            return
        address = (scope.get("server") or ("", None))[0]
        if not is_loopback(address):
            raise ProtocolError(
                "forbidden",
                "The service listens where other machines can reach it, and no key is set.",
                mend="Set MASKWRIGHT_KEY and start it again.",
            )
        # Without a key, any page in this machine's browser could ask: it may not, by these two marks.
        host = urlsplit(f"//{headers.get('host', '')}").hostname or ""
        origin = headers.get("origin")
        if not is_loopback(host) or (origin is not None and urlsplit(origin).netloc != headers.get("host")):
            raise ProtocolError(
                "forbidden",
                "Without a key, only programs and pages of this machine may ask.",
                mend="Ask 127.0.0.1 or localhost directly, or set MASKWRIGHT_KEY.",
            )
