"""No request's body is taken whole into memory beyond a limit; forms stream, and have limits of their own."""

from __future__ import annotations

from fastapi import HTTPException
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import error_response
from worker.errors import TooLargeError

MAX_BODY_BYTES = 12 * 1024 * 1024
"""A fab profile of the largest size, as text in JSON, and some."""


class BodyLimit:
    """Middleware that stops a body over the limit, whether or not the request says its length."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = Headers(scope=scope) if scope["type"] == "http" else {}
        if scope["type"] != "http" or headers.get("content-type", "").lower().startswith("multipart/form-data"):
            return await self.app(scope, receive, send)
        said = headers.get("content-length", "")
        if said.isdecimal() and (len(said) > 12 or int(said) > MAX_BODY_BYTES):
            return await error_response(_too_large())(scope, receive, send)
        taken = 0

        async def receiving() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > MAX_BODY_BYTES:
                raise HTTPException(413)  # the one kind that FastAPI lets through while it reads a body
            return message

        return await self.app(scope, receiving, send)


def _too_large() -> TooLargeError:
    return TooLargeError(f"The request's body is over {MAX_BODY_BYTES:,} bytes.", mend="Send less in one request.")
