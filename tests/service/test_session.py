"""Signing in: a cookie that scripts can't read, and that no other site's page can use."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.access import COOKIE
from tests.service.fixtures import backing, is_problem, make_key, service

OWN = {"Origin": "http://127.0.0.1", "Sec-Fetch-Site": "same-origin"}


def key_of(header: dict[str, str]) -> str:
    return header["Authorization"].removeprefix("Bearer ")


def test_whoever_signs_in_may_do_what_the_key_may(tmp_path: Path) -> None:
    """Attributes of the cookie: RFC 6265, section 5.2, and its successor's SameSite."""
    with service(tmp_path) as client:
        assert client.get("/v1/session").json()["owner"] == "local", "without keys, this machine is let in"
        key = key_of(make_key(client, "ada", "read", "submit"))
        assert is_problem(client.get("/v1/session"), 401)
        signed_in = client.post("/v1/session", json={"key": f" {key}\n"}, headers=OWN)
        assert signed_in.json()["owner"] == "ada" and set(signed_in.json()["scopes"]) == {"submit", "read"}
        cookie = signed_in.headers["set-cookie"]
        assert {"HttpOnly", "SameSite=strict", "Path=/"} <= set(cookie.split("; "))
        assert "Secure" not in cookie and "Max-Age" not in cookie and "expires" not in cookie.lower()
        assert key not in signed_in.text
        assert client.get("/v1/jobs", headers=OWN).status_code == 200
        assert is_problem(client.get("/v1/keys", headers=OWN), 403, "admin")
        assert client.delete("/v1/links", headers=OWN).status_code == 204
        assert client.delete("/v1/session", headers=OWN).status_code == 204
        assert is_problem(client.get("/v1/jobs", headers=OWN), 401)


def test_over_tls_the_cookie_goes_by_tls_alone(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        key = key_of(make_key(client, "ada"))
        headers = {**OWN, "X-Forwarded-Proto": "https"}
        assert "Secure" in client.post("/v1/session", json={"key": key}, headers=headers).headers["set-cookie"]


FOREIGN: list[dict[str, str]] = [
    {"Origin": "https://page.example"},
    {"Origin": "http://127.0.0.1:8001"},
    {"Origin": "null"},
    {},
    {"Sec-Fetch-Site": "cross-site"},
    {**OWN, "Sec-Fetch-Site": "same-site"},
]


@pytest.mark.parametrize("headers", FOREIGN, ids=str)
def test_another_sites_page_can_neither_sign_in_nor_use_the_cookie(tmp_path: Path, headers: dict[str, str]) -> None:
    """Origin: RFC 6454; Sec-Fetch-Site: W3C Fetch Metadata. As if a browser sent the cookie in spite of SameSite."""
    with service(tmp_path) as client:
        key = key_of(make_key(client, "ada"))
        sent = client.post("/v1/session", json={"key": key}, headers=headers)
        assert is_problem(sent, 403) and "set-cookie" not in sent.headers
        client.cookies.set(COOKIE, key)
        assert is_problem(client.delete("/v1/links", headers=headers), 403, "own page")
        assert is_problem(client.post("/v1/drafts", headers=headers), 403)
        if headers:
            assert is_problem(client.get("/v1/jobs", headers=headers), 403)
        assert client.delete("/v1/links", headers=OWN).status_code == 204


def test_a_link_that_somebody_follows_to_here_is_answered(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        client.cookies.set(COOKIE, key_of(make_key(client, "ada")))
        followed = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
        assert client.get("/v1/jobs", headers=followed).status_code == 200


def test_a_key_that_is_good_no_more_signs_nobody_in(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        header = make_key(client, "ada")
        for key in ("", "   ", "maskwright_wrong", key_of(header)[:-1], "maskwright_€_x"):
            response = client.post("/v1/session", json={"key": key}, headers=OWN)
            assert is_problem(response, 401) and "set-cookie" not in response.headers
        client.cookies.set(COOKIE, key_of(header))
        assert client.get("/v1/jobs", headers=OWN).status_code == 200
        backing(client).ledger.keys.revoke(key_of(header).split("_")[1], doer=_nobody())
        assert is_problem(client.get("/v1/jobs", headers=OWN), 401, "was revoked")


def _nobody() -> Any:
    from worker.ledger.keys import Doer

    return Doer(by="test")


def test_where_no_key_is_asked_for_a_cookie_of_another_port_does_no_harm(tmp_path: Path) -> None:
    """Cookies know no ports (RFC 6265, section 8.5)."""
    with service(tmp_path) as client:
        client.cookies.set(COOKIE, "maskwright_of_another_service")
        assert client.get("/v1/session").json()["key"] == ""


def test_a_key_in_the_header_counts_before_the_cookie(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        client.cookies.set(COOKIE, "wrong")
        assert client.get("/v1/session", headers=make_key(client, "bob", "read")).json()["owner"] == "bob"
