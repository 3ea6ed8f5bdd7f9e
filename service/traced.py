"""Middleware that traces requests, where traces are asked for: their route, status, time, and the job they made."""

from __future__ import annotations

import re
import time

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from worker.tracing import Tracing

_JOB = re.compile(r"^/v1/jobs/([0-9a-f]{32})\b")


class Traced:
    """Sends one span for each request but those of health checks."""

    def __init__(self, app: ASGIApp, *, tracing: Tracing) -> None:
        self.app = app
        self.tracing = tracing

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"] in ("/livez", "/readyz", "/metrics"):
            return await self.app(scope, receive, send)
        began, status, place = time.time_ns(), 500, scope["path"]

        async def sending(message: Message) -> None:
            nonlocal status, place
            if message["type"] == "http.response.start":
                status = message["status"]
                place = next((v.decode() for n, v in message.get("headers", ()) if n == b"location"), place)
            await send(message)

        try:
            await self.app(scope, receive, sending)
        finally:
            route = getattr(scope.get("route"), "path", "unknown")
            job = _JOB.match(place)
            self.tracing.request(scope["method"], route, status, job[1] if job else "", began)
