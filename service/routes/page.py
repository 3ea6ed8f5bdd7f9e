"""The web page: its files as they stand in service/page/, without a build step. They hold nothing of anybody."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Header, Response

from service.conditions import tags
from service.errors import ProtocolError

router = APIRouter(include_in_schema=False)

FOLDER = Path(__file__).parents[1] / "page"
MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
}
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
)
"""Content-Security-Policy of the page: all of it comes from here, nothing is written inline, no text becomes script."""


@router.api_route("/", methods=["GET", "HEAD"])
def get_page(if_none_match: Annotated[str | None, Header()] = None) -> Response:
    """The page."""
    return _send("index.html", if_none_match)


@router.api_route("/page/{name}", methods=["GET", "HEAD"])
def get_page_file(name: str, if_none_match: Annotated[str | None, Header()] = None) -> Response:
    """A file of the page."""
    return _send(name, if_none_match)


def _send(name: str, if_none_match: str | None) -> Response:
    found = _files().get(name)
    if found is None:
        raise ProtocolError("no-such-page", f"There is nothing at /page/{name[:100]}.", mend="The page is at /.")
    content, tag, media_type = found
    headers = {"ETag": f'"{tag}"', "Cache-Control": "private, no-cache", "Content-Security-Policy": POLICY}
    if set(tags(if_none_match)) & {"*", tag}:
        return Response(status_code=304, headers=headers)
    return Response(content, media_type=media_type, headers=headers)


@cache
def _files() -> dict[str, tuple[bytes, str, str]]:
    """Every file of the page by its name, with its entity tag and media type."""
    found = {}
    for path in sorted(FOLDER.iterdir()):
        if path.suffix in MEDIA_TYPES:
            content = path.read_bytes()
            found[path.name] = (content, hashlib.sha256(content).hexdigest()[:32], MEDIA_TYPES[path.suffix])
    return found
