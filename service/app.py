"""Builds the HTTP application. `uvicorn service.app:app` serves it; `python -m service` checks the address first."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.concurrency import run_in_threadpool

from service.access import Access
from service.answers import problems
from service.backing import open_backing
from service.body_limit import BodyLimit
from service.errors import handle_errors
from service.routes import (
    audit,
    circuits,
    collection_results,
    collections,
    events,
    fabs,
    files,
    health,
    jobs,
    keys,
    links,
    looks,
    metrics,
    page,
    panels,
    photographs,
    plans,
    readings,
    revisions,
    session,
    tuning,
)
from service.security_headers import SecurityHeaders
from service.traced import Traced
from worker.settings import Environment, read_environment
from worker.tracing import open_tracing

DESCRIPTION = """Turns artworks into one mask per circuit-board finish, with a perceptual error score.

Ask for a job with `POST /v1/jobs`, follow it by its events, then get its files. Errors are problem documents after
RFC 9457 whose `detail` says how to mend them.
"""


def create_app(environment: Environment) -> FastAPI:
    """The application for this environment; it opens database, store and broker when it starts."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        app.state.backing = await run_in_threadpool(open_backing, environment)
        try:
            yield
        finally:
            await run_in_threadpool(app.state.backing.close)
            if tracing is not None:
                await run_in_threadpool(tracing.close)

    app = FastAPI(
        title="Maskwright",
        version=version("maskwright"),
        description=DESCRIPTION,
        lifespan=lifespan,
        docs_url=None,  # those pages fetch their scripts from elsewhere
        redoc_url=None,
    )
    app.add_middleware(BodyLimit)
    app.add_middleware(Access, environment=environment)
    app.add_middleware(SecurityHeaders)
    tracing = open_tracing(environment, "service")
    if tracing is not None:
        app.add_middleware(Traced, tracing=tracing)
    handle_errors(app)
    rooms = (
        jobs,
        looks,
        plans,
        circuits,
        events,
        files,
        collections,
        collection_results,
        links,
        fabs,
        readings,
        revisions,
        tuning,
        photographs,
        panels,
        session,
        keys,
        audit,
        health,
        metrics,
        page,
    )
    for room in rooms:
        # As they stand: included, each would be built anew at the first request, which then takes half a second more.
        app.router.routes.extend(room.router.routes)
    app.openapi = lambda: _described(app)  # type: ignore[method-assign]
    return app


def _described(app: FastAPI) -> dict[str, Any]:
    """The API's description, with the scopes of keys and without FastAPI's own form of validation errors."""
    if app.openapi_schema is None:
        schema = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
        for name in ("HTTPValidationError", "ValidationError"):
            schema["components"]["schemas"].pop(name, None)
        for operations in schema["paths"].values():
            for operation in operations.values():
                # On loopback, before there is a key, all goes without; where none is ever asked for it says so too.
                operation["security"] = [{}, *operation.get("security", ())]
                if "requestBody" in operation:
                    for status in ("400", "413"):
                        operation["responses"].setdefault(status, problems(int(status))[int(status)] | {})
                        operation["responses"][status].pop("model", None)
                for answer in operation["responses"].values():
                    if "HTTPValidationError" in str(answer.get("content", "")):
                        answer["description"] = "Problem document"
                        answer["content"] = {
                            "application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}
                        }
        app.openapi_schema = schema
    return app.openapi_schema


app = create_app(read_environment())
