"""The only table from an error's code to an HTTP status, and the one form in which errors go out (RFC 9457)."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from service.link_page import for_people
from service.security_headers import DEFAULTS, SECURITY_HEADERS
from worker.bounded_text import shown
from worker.errors import MaskwrightError, QueueFullError, fit_to_show

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"

STATUS: dict[str, int] = {
    "internal": 500,
    "artwork": 422,
    "fab-profile": 422,
    "patch-map": 422,
    "photograph": 422,
    "coupon": 422,
    "prediction": 422,
    "reading-file": 422,
    "board": 422,
    "panel": 422,
    "proof": 500,
    "returned-file": 422,
    "circuit": 422,
    "manifest": 422,
    "collection-archive": 422,
    "settings": 422,
    "override": 422,
    "impossible-place": 422,
    "array": 422,
    "not-found": 404,
    "expired": 410,
    "conflict": 409,
    "too-large": 413,
    "queue-full": 429,
    "store-full": 507,
    "access": 401,
    "cancelled": 409,
    "backup": 500,
    "storage": 507,
    "unavailable": 503,
    # errors of the protocol, not of the work
    "bad-request": 400,
    "forbidden": 403,
    "scope": 403,
    "no-such-page": 404,
    "method": 405,
    "link-ended": 410,
    "stale": 412,
    "media-type": 415,
    "range": 416,
    "key-reused": 422,
    "precondition-missing": 428,
    "damaged": 500,
    # ends of a job that a request waits for
    "lost": 500,
    "crashed": 500,
    "killed": 500,
    "too-long": 500,
    "too-much-memory": 500,
}


_MID_REQUEST = ("too-large", "media-type", "bad-request", "queue-full", "store-full")
"""Errors that may be found while a request still comes in: closing the connection stops its sender."""


class ProtocolError(MaskwrightError):
    """A request that breaks a rule of HTTP or of this service's use of it."""

    def __init__(
        self,
        code: str,
        what: str,
        *,
        mend: str,
        headers: Mapping[str, str] | None = None,
        setting: str | None = None,
    ) -> None:
        super().__init__(what, mend=mend, setting=setting)
        self.code = code
        self.headers = dict(headers or {})


def problem(code: str, what: str, mend: str, setting: str | None = None) -> dict[str, Any]:
    """The members of a problem document. `setting` is the one setting, or field, that it is about."""
    status = STATUS[code]
    return {
        "type": f"urn:maskwright:problem:{code}",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": f"{what} {mend}".strip(),
        "code": code,
        **({} if setting is None else {"setting": setting}),
    }


def problem_response(
    code: str, what: str, mend: str, headers: Mapping[str, str] | None = None, *, setting: str | None = None
) -> JSONResponse:
    """A problem document as a response."""
    return JSONResponse(
        problem(code, what, mend, setting),
        status_code=STATUS[code],
        media_type=MEDIA_TYPE,
        headers=dict(headers or {}),
    )


def error_response(error: MaskwrightError) -> JSONResponse:
    """The response for an error that the user can understand."""
    headers = dict(error.headers) if isinstance(error, ProtocolError) else {}
    if error.code == "access":
        headers.setdefault("WWW-Authenticate", "Bearer")
    if isinstance(error, QueueFullError):
        headers["Retry-After"] = str(error.retry_seconds)
    if error.code in _MID_REQUEST:
        headers["Connection"] = "close"
    if error.code == "unavailable":
        headers["Retry-After"] = "2"
    return problem_response(error.code, error.what, error.mend, headers, setting=error.setting)


def _understood(request: Request, error: Exception) -> Response:
    assert isinstance(error, MaskwrightError)
    return for_people(request, error_response(error))


def _invalid(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    first = error.errors()[0]
    place = ".".join(str(part) for part in first["loc"])
    what = f"{place} is {shown(first.get('input'), 100)}: {first['msg']}."
    at = str(first["loc"][-1]) if len(first["loc"]) > 1 else None
    return problem_response("settings", fit_to_show(what), "Mend it and ask again.", setting=at)


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return for_people(request, _refusal(request, error))


def _refusal(request: Request, error: HTTPException) -> JSONResponse:
    path = fit_to_show(request.url.path)
    if error.status_code == 404:
        return problem_response("no-such-page", f"There is nothing at {path}.", "See /openapi.json for what there is.")
    if error.status_code == 405:
        allowed = (error.headers or {}).get("Allow", "")
        return problem_response(
            "method", f"{request.method} is not for {path}.", f"Allowed here: {allowed}.", error.headers
        )
    if error.status_code == 413:
        headers = {"Connection": "close"}
        return problem_response("too-large", "The request's body is too large.", "Send less in one request.", headers)
    return problem_response("bad-request", f"{error.detail}.", "See /openapi.json for what is expected.")


def _unforeseen(request: Request, error: Exception) -> JSONResponse:
    # This one answer goes out past all middleware.
    return problem_response(
        "internal",
        "The request failed through a fault of the service.",
        "Its log says more: please report it.",
        {**DEFAULTS, **SECURITY_HEADERS},
    )


def _gone(request: Request, error: Exception) -> JSONResponse:
    return problem_response("bad-request", "The sender went away before the request was whole.", "Send it again.")


def handle_errors(app: FastAPI) -> None:
    """Make every error of an app go out as a problem document."""
    app.add_exception_handler(MaskwrightError, _understood)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _refused)
    app.add_exception_handler(ClientDisconnect, _gone)
    app.add_exception_handler(Exception, _unforeseen)
