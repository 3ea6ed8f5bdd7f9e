"""Headers that every answer carries, so that a browser does with it what it says and nothing else."""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send

SECURITY_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}
"""On every answer, whatever its route says. There is no header of CORS among them: no other site's page may read."""

DEFAULTS = {
    "Content-Security-Policy": "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "Cache-Control": "private, no-store",
}
"""On every answer whose route says nothing else: no answer is kept, none of it runs or loads anything."""

RESULT_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
"""Content-Security-Policy of result files: sheets and drawings show themselves, and run nothing."""


class SecurityHeaders:
    """Middleware that sets them."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return await self.app(scope, receive, send)

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = list(message.get("headers", ()))
                set_already = {name.lower() for name, _ in given}
                added = {**DEFAULTS, **SECURITY_HEADERS}
                given += [
                    (name.lower().encode(), value.encode())
                    for name, value in added.items()
                    if name.lower().encode() not in set_already
                ]
                message["headers"] = given
            await send(message)

        return await self.app(scope, receive, sending)
