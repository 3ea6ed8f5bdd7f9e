"""What every answer tells a browser, and that the service itself asks nobody."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, backing, finish, post, service
from worker.settings import PROJECT


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with service(tmp_path_factory.mktemp("headers")) as client:
        yield client


def check(response: Any) -> None:
    """Header names and values: WHATWG Fetch (nosniff, Cross-Origin-Resource-Policy), RFC 7034, W3C Referrer Policy."""
    headers = response.headers
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cross-origin-resource-policy"] == headers["cross-origin-opener-policy"] == "same-origin"
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert "private" in headers["cache-control"] or "no-store" in headers["cache-control"]
    assert not [name for name in headers if name.startswith("access-control-")], "no CORS"
    assert "server" not in headers and "x-powered-by" not in headers


PATHS = ("/livez", "/readyz", "/nothing", "/v1/fabs", f"/v1/fabs/{FAB}", "/v1/jobs", "/v1/jobs/none", "/openapi.json")


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_carries_the_headers(client: TestClient, path: str) -> None:
    check(client.get(path))
    check(client.get(path, headers={"Host": "rebound.example"}))
    check(client.request("OPTIONS", path, headers={"Origin": "http://127.0.0.1"}))


def test_a_fault_of_the_service_carries_them_too(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError

    monkeypatch.setattr(backing(client).ledger.jobs, "get", broken)
    response = client.get("/v1/jobs/x")
    assert response.status_code == 500
    check(response)


def test_result_files_run_nothing_and_are_kept_by_their_reader_alone(tmp_path: Path) -> None:
    sheet = b"<html><script>alert(1)</script></html>"
    with service(tmp_path) as client:
        job = post(client).json()["id"]
        finish(client, job, {"fabrication/inspection-sheet.html": sheet, "seen.svg": b"<svg/>"}, {})
        for path in ("files/fabrication/inspection-sheet.html", "files/seen.svg", "package.zip"):
            response = client.get(f"/v1/jobs/{job}/{path}")
            check(response)
            policy = response.headers["content-security-policy"]
            assert "sandbox" in policy and "script-src" not in policy and "allow-scripts" not in policy
            assert response.headers["cache-control"].startswith("private")


def test_a_preflight_of_another_sites_page_is_refused(client: TestClient) -> None:
    """A CORS preflight (WHATWG Fetch, 3.2.2) that gets no Access-Control-Allow-Origin keeps the page from sending."""
    asked = {"Origin": "https://page.example", "Access-Control-Request-Method": "PUT"}
    response = client.options(f"/v1/fabs/{FAB}", headers=asked)
    assert response.status_code == 403
    check(response)


CLIENTS = {"urllib", "urllib3", "http", "httpx", "requests", "aiohttp", "socket", "ftplib", "smtplib", "telnetlib"}
_PARTS = {"urllib.parse"}


@pytest.mark.parametrize("path", sorted((PROJECT / "service").rglob("*.py")), ids=lambda path: path.stem)
def test_no_room_of_the_service_can_open_a_connection(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        for name in names:
            if path.name == "__main__.py" and name == "socket":
                continue  # it takes over a listening one
            if path.name == "errors.py" and name == "http":
                continue  # the names of statuses
            assert name in _PARTS or name.partition(".")[0] not in CLIENTS, (path.name, name)


_OPENED: list[Any] = []
_LISTENING = [False]


def _hook(event: str, arguments: tuple[Any, ...]) -> None:
    if _LISTENING[0] and event in ("socket.connect", "socket.getaddrinfo"):
        _OPENED.append((event, arguments[-1] if event == "socket.connect" else arguments[0]))


sys.addaudithook(_hook)  # it can't be taken back, so it listens only where a test lets it


def test_addresses_in_a_request_are_not_asked(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    from service.asking import ask

    assert ask.__kwdefaults__ is not None
    monkeypatch.setitem(ask.__kwdefaults__, "seconds", 0.0)
    address = "http://127.0.0.1:9/artwork.png"
    svg = f'<svg xmlns="http://www.w3.org/2000/svg"><image href="{address}"/></svg>'.encode()
    _OPENED.clear()
    _LISTENING[0] = True
    try:
        post(client, artwork=svg, name=address)
        client.post("/v1/jobs", data={"artwork": address, "fab": address, "board": address})
        client.put("/v1/fabs/x", content=f'id = "{address}"'.encode())
        client.post(f"/v1/fabs/{FAB}/preview", json={"job": address, "toml": address})
        client.post(f"/v1/fabs/{FAB}/photograph", files={"photo": (address, address.encode()), "map": ("m", b"{}")})
        client.post(f"/v1/fabs/{FAB}/import", files={"file": (address, address.encode())}, headers={"If-Match": "*"})
        client.get("/v1/jobs", headers={"Referer": address})
    finally:
        _LISTENING[0] = False
    reached = [place for _, place in _OPENED if not isinstance(place, str) or "127.0.0.1" in place or ":9" in place]
    assert reached == [], "the broker's own socket apart, which is a path"
