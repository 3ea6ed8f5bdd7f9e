"""Keys over HTTP, for admins, and the audit trail."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sql
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, a_worker, backing, finish, is_problem, make_key, post, service
from worker.ledger.tables import api_keys, metadata

NEW = {"owner": "ada", "scopes": ["read", "submit"], "name": "night batch"}


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        client.headers.update(make_key(client, "root", "admin", "edit-fabs", "read", "submit"))
        yield client


def events(client: TestClient, **only: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get("/v1/audit", params=only).json()["events"]
    return found


def bearer(made: Any) -> dict[str, str]:
    return {"Authorization": f"Bearer {made.json()['key']}"}


def test_a_key_is_made_shown_once_used_listed_and_revoked(client: TestClient) -> None:
    made = client.post("/v1/keys", json=NEW)
    assert made.status_code == 201 and made.headers["cache-control"] == "private, no-store"
    key_id, text = made.json()["id"], made.json()["key"]
    assert made.headers["location"] == f"/v1/keys/{key_id}" and made.json()["scopes"] == ["submit", "read"]
    assert client.get("/v1/jobs", headers=bearer(made)).status_code == 200
    listed = client.get("/v1/keys?owner=ada")
    (key,) = listed.json()["keys"]
    assert key["state"] == "usable" and key["last_used"] and key["name"] == "night batch" and key["expires"] is None
    for answer in (listed, client.get(f"/v1/keys/{key_id}"), client.get("/v1/audit")):
        assert text.rpartition("_")[2] not in answer.text
    revoked = [client.delete(f"/v1/keys/{key_id}").json() for _ in range(2)]
    assert revoked[0] == revoked[1] and revoked[0]["state"] == "revoked"
    assert is_problem(client.get("/v1/jobs", headers=bearer(made)), 401, "revoked")
    assert is_problem(client.get("/v1/keys/none"), 404) and is_problem(client.delete("/v1/keys/none"), 404)


def test_the_database_holds_no_key(client: TestClient, tmp_path: Path) -> None:
    secret = client.post("/v1/keys", json=NEW).json()["key"].rpartition("_")[2]
    with backing(client).ledger.database.reading() as connection:
        for table in metadata.sorted_tables:
            assert secret not in str(connection.execute(sql.select(table)).all()), table.name
        digest = connection.execute(sql.select(api_keys.c.digest).where(api_keys.c.owner == "ada")).scalar_one()
    assert len(digest) == 64
    for path in tmp_path.rglob("*"):
        assert not path.is_file() or secret.encode() not in path.read_bytes(), path.name


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"owner": ""}, "owner"), ({"owner": "Ada Lovelace"}, "owner"), ({"owner": "a" * 65}, "owner"),
        ({"owner": "../x"}, "owner"), ({"scopes": []}, "scope"), ({"scopes": ["read", "all"]}, "all"),
        ({"name": "x" * 101}, "name"), ({"name": "two\nlines"}, "name"), ({"expires": "2001-01-01T00:00:00Z"}, "past"),
        ({"expires": "soon"}, "expires"), ({"more": 1}, "more"),
    ],
)  # fmt: skip
def test_a_key_that_makes_no_sense_is_refused(client: TestClient, change: dict[str, Any], word: str) -> None:
    assert is_problem(client.post("/v1/keys", json={**NEW, **change}), 422, word)
    assert client.get("/v1/keys?owner=ada").json()["keys"] == []


def test_a_key_ends_when_it_was_said_to(client: TestClient) -> None:
    soon = datetime.now(UTC) + timedelta(hours=1)
    made = client.post("/v1/keys", json={**NEW, "expires": soon.replace(tzinfo=None).isoformat()})
    assert datetime.fromisoformat(made.json()["expires"]) == soon, "a time without a zone is UTC"
    assert client.get("/v1/jobs", headers=bearer(made)).status_code == 200
    with backing(client).ledger.database.writing() as connection:
        past = {"expires": (soon - timedelta(hours=2)).timestamp()}
        connection.execute(sql.update(api_keys).where(api_keys.c.owner == "ada").values(past))
    assert is_problem(client.get("/v1/jobs", headers=bearer(made)), 401, "has expired")
    assert client.get("/v1/keys?owner=ada").json()["keys"][0]["state"] == "expired"


def test_the_audit_trail_tells_of_keys_and_their_first_use_of_a_day(client: TestClient) -> None:
    made = client.post("/v1/keys", json=NEW)
    key_id = made.json()["id"]
    for _ in range(5):
        client.get("/v1/jobs", headers=bearer(made))
    client.delete(f"/v1/keys/{key_id}")
    admin = client.headers["Authorization"].split("_")[1]
    told = [(event["what"], event["subject"], event["key"], event["detail"]) for event in events(client, owner="ada")]
    assert [event for event in told if event[0] != "fab-edited"] == [
        ("key-revoked", key_id, admin, ""),
        ("key-used", key_id, key_id, ""),
        ("key-made", key_id, admin, "submit, read; night batch"),
    ]
    assert {event[0] for event in told} == {"key-revoked", "key-used", "key-made", "fab-edited"}


def test_a_key_that_was_not_used_since_yesterday_is_told_of_again(client: TestClient) -> None:
    made = client.post("/v1/keys", json=NEW)
    client.get("/v1/jobs", headers=bearer(made))
    with backing(client).ledger.database.writing() as connection:
        of_ada = sql.update(api_keys).where(api_keys.c.owner == "ada")
        connection.execute(of_ada.values(used=api_keys.c.used - 86400))
    client.get("/v1/jobs", headers=bearer(made))
    assert len(events(client, owner="ada", what="key-used")) == 2


def test_the_key_of_the_environment_is_told_of_once_a_day(tmp_path: Path) -> None:
    for _ in range(2):
        with service(tmp_path, key="a long random text") as client:
            client.headers["Authorization"] = "Bearer a long random text"
            for _ in range(3):
                assert client.get("/v1/jobs").status_code == 200
            (event,) = events(client, what="key-used")
    assert event["key"] == event["subject"] == "environment" and event["owner"] == "local"


READING = {"lab": [72, 5, 33], "illuminant": "D50", "observer": "2", "geometry": "45:0", "origin": "measured"}


def test_every_fab_edit_is_told_of_with_its_key(client: TestClient) -> None:
    fab = f"/v1/fabs/{FAB}"
    any_revision = {"If-Match": "*", "Edited-By": "Ada"}
    first = client.get(fab).headers["etag"].strip('"')
    client.post(f"{fab}/finishes/gold/readings", json={"reading": READING}, headers=any_revision)
    override = {"lab": [70, 4, 28], "illuminant": "D65", "observer": "2"}
    client.put(f"{fab}/finishes/gold/override", json=override, headers=any_revision)
    client.delete(f"{fab}/finishes/gold/override", headers=any_revision)
    client.delete(f"{fab}/finishes/gold/readings/0", headers=any_revision)
    client.post(f"{fab}/restore", json={"revision": first}, headers=any_revision)
    client.put(fab, content=client.get(fab).content + b"# more\n", headers=any_revision)
    client.put("/v1/fabs/own", content=client.get(fab).content.replace(f'"{FAB}"'.encode(), b'"own"', 1))
    rows = b"finish,geometry,origin,illuminant,observer,L*,a*,b*\ngold,45:0,measured,D50,2,71,5,33\n"
    with a_worker(client):
        client.post(f"{fab}/import", files={"file": ("a.csv", rows)}, headers=any_revision)
    found = events(client, owner="root", what="fab-edited")[:8][::-1]
    words = (
        "added a reading",
        "by hand",
        "took back",
        "dropped reading 0",
        "went back",
        "replaced",
        "added;",
        "imported",
    )
    key = client.headers["Authorization"].split("_")[1]
    for event, word in zip(found, words, strict=True):
        assert word in event["detail"] and event["key"] == key, (word, event)
        assert event["subject"] == ("own" if word == "added;" else FAB)
        assert event["by"] == ("" if word == "added;" else "Ada")
    history = client.get(f"{fab}/revisions").json()["revisions"]
    assert f"revision {history[0]['revision']}" in found[-1]["detail"]


def test_the_trail_has_pages_and_names_no_artwork(client: TestClient) -> None:
    job = client.post("/v1/jobs", files={"artwork": ("hidden-name.png", b"hidden content")}, data={"fab": FAB}).json()
    finish(client, job["id"], {"preview.png": b"hidden content"}, {})
    client.post(f"/v1/jobs/{job['id']}/links", json={"path": "preview.png"})
    whole = client.get("/v1/audit?limit=200").json()
    assert whole["next"] is None and "hidden" not in str(whole) and job["id"] in str(whole)
    pages, address = [], "/v1/audit?limit=2&owner=root"
    while address:
        page = client.get(address).json()
        pages += page["events"]
        address = page["next"]
    assert pages == [event for event in whole["events"] if event["owner"] == "root"] and len(pages) > 4
    assert is_problem(client.get("/v1/audit?what=everything"), 422, "everything", "fab-edited")
    assert is_problem(client.get("/v1/audit?cursor=x"), 422, "cursor")


def test_keyless_use_of_this_machine_needs_no_trail_but_edits_have_one(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        fab = client.get(f"/v1/fabs/{FAB}").content + b"# more\n"
        client.put(f"/v1/fabs/{FAB}", content=fab, headers={"If-Match": "*"})
        newest = events(client)[0]
        assert (newest["what"], newest["owner"], newest["key"]) == ("fab-edited", "local", "")
        assert events(client, what="key-used") == [] and post(client).status_code == 202
