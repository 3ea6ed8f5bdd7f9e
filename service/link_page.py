"""What a browser shows of a shared link that leads nowhere: the problem and its mend, as a page."""

from __future__ import annotations

import html
import json

from fastapi import Request
from fastapi.responses import HTMLResponse, JSONResponse, Response

SHARED = "/v1/shared/"
_POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_PAGE = """<!doctype html>
<html lang="en">
  <head>
    <meta charset="utf-8">
    <meta name="viewport" content="width=device-width, initial-scale=1">
    <meta name="color-scheme" content="light dark">
    <title>Shared result – Maskwright</title>
    <link rel="icon" href="/page/mark.svg" type="image/svg+xml">
    <link rel="stylesheet" href="/page/page.css">
  </head>
  <body>
    <main>
      <div class="card signin">
        <h1>Shared result</h1>
        <p>{detail}</p>
        <p class="soft">Problem {status}, <code>{code}</code></p>
      </div>
    </main>
  </body>
</html>
"""


def for_people(request: Request, response: JSONResponse) -> Response:
    """A problem as a page, where a browser followed a shared link; else as it is, for programs."""
    if not request.url.path.startswith(SHARED):
        return response
    response.headers["Vary"] = "Accept"
    if "text/html" not in request.headers.get("accept", ""):
        return response
    problem = json.loads(bytes(response.body))
    shown = {name: html.escape(str(problem[name])) for name in ("detail", "status", "code")}
    kept = {
        name: value
        for name, value in response.headers.items()
        if name.lower() not in ("content-type", "content-length")
    }
    page = _PAGE.format(**shown)
    return HTMLResponse(page, status_code=response.status_code, headers={**kept, "Content-Security-Policy": _POLICY})
