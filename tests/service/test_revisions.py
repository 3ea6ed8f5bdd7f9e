"""The history of a fab: every edit is there with who, what and when, and every revision can be gone back to."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.service.fixtures import FAB, is_problem, post, service
from tests.service.test_readings import ADDRESS, OVERRIDE, READINGS, TOML, add, tag
from worker.fab_profile import read_fab_profile

FIRST = read_fab_profile(TOML).revision


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def history(client: TestClient) -> list[dict[str, Any]]:
    events: list[dict[str, Any]] = client.get(f"{ADDRESS}/revisions").json()["revisions"]
    return events


def restore(client: TestClient, revision: str, **more: Any) -> Any:
    return client.post(f"{ADDRESS}/restore", json={"revision": revision, **more}, headers=tag(client))


def test_every_edit_says_who_what_and_when(client: TestClient) -> None:
    add(client, by="Ada")
    headers = {**tag(client), "Edited-By": "Grace"}
    client.put(OVERRIDE, json={"lab": [70, 4, 28], "illuminant": "D65", "observer": "2"}, headers=headers)
    client.delete(OVERRIDE, headers=tag(client))
    client.delete(f"{READINGS}/0", headers={**tag(client), "Edited-By": "Ada"})
    client.put(ADDRESS, content=TOML + b"\n# mine\n", headers={**tag(client), "Edited-By": "Grace"})
    found = history(client)
    assert [(event["by"], event["what"]) for event in found] == [
        ("Grace", "replaced as a whole"),
        ("Ada", "dropped reading 0 of gold"),
        ("", "took back the override of gold"),
        ("Grace", "set the reference of gold by hand"),
        ("Ada", "added a reading of gold"),
        ("", "installed"),
    ]
    assert [event["previous"] for event in found[:-1]] == [event["revision"] for event in found[1:]]
    assert found[-1]["revision"] == FIRST and found[-1]["previous"] is None
    assert {event["owner"] for event in found} == {"local"}
    for event in found:
        assert abs(datetime.now(UTC) - datetime.fromisoformat(event["at"])) < timedelta(minutes=5)
        assert client.get(event["href"]).headers["etag"] == f'"{event["revision"]}"'


def test_any_revision_can_be_gone_back_to_and_the_history_goes_on(client: TestClient) -> None:
    second = add(client).json()["revision"]
    third = add(client, by="Ada").json()["revision"]
    done = restore(client, FIRST, by="Grace")
    assert done.status_code == 200 and done.headers["etag"] == f'"{FIRST}"'
    assert client.get(ADDRESS).content == TOML
    assert restore(client, third).json()["revision"] == third
    found = history(client)
    assert [event["revision"] for event in found] == [third, FIRST, third, second, FIRST]
    assert found[1]["what"] == f"went back to revision {FIRST}" and found[1]["by"] == "Grace"
    assert is_problem(restore(client, "0" * 16), 404, "0" * 16)
    assert client.get(f"{ADDRESS}/revisions").json()["current"] == third


def test_an_edit_that_changes_nothing_is_no_event(client: TestClient) -> None:
    assert client.put(ADDRESS, content=TOML, headers=tag(client)).status_code == 200
    assert restore(client, FIRST).status_code == 200
    assert len(history(client)) == 1


def test_the_history_comes_in_pages(client: TestClient) -> None:
    for _ in range(4):
        add(client)
    whole = history(client)
    page = client.get(f"{ADDRESS}/revisions?limit=2").json()
    seen = page["revisions"]
    while page["next"]:
        page = client.get(page["next"]).json()
        seen += page["revisions"]
    assert seen == whole and len(whole) == 5
    assert is_problem(client.get(f"{ADDRESS}/revisions?cursor=x"), 422, "cursor")
    assert is_problem(client.get("/v1/fabs/none/revisions"), 404, "none")


def test_two_revisions_are_compared(client: TestClient) -> None:
    add(client)
    client.put(
        OVERRIDE, json={"lab": [70, 4, 28], "illuminant": "D65", "observer": "2", "by": "Ada"}, headers=tag(client)
    )
    found = client.get(f"{ADDRESS}/diff?from={FIRST}").json()
    assert found["old"] == FIRST and found["new"] == client.get(ADDRESS).headers["etag"].strip('"')
    assert [(each["kind"], each["finish"]) for each in found["differences"]] == [
        ("reading added", "gold"),
        ("override set", "gold"),
    ]
    assert "76, 5, 33" in found["differences"][0]["new"] and "Ada" in found["differences"][1]["new"]
    back = client.get(f"{ADDRESS}/diff?from={found['new']}&to={FIRST}").json()
    assert [each["kind"] for each in back["differences"]] == ["reading dropped", "override cleared"]
    assert client.get(f"{ADDRESS}/diff?from={FIRST}&to={FIRST}").json()["differences"] == []
    assert is_problem(client.get(f"{ADDRESS}/diff?from=none"), 404, "none")
    assert is_problem(client.get(f"{ADDRESS}/diff"), 422, "from")


def test_a_job_keeps_its_revision_whatever_is_edited_or_gone_back_to(client: TestClient) -> None:
    add(client)
    job = post(client, fab=FAB).json()
    restore(client, FIRST)
    assert client.get(job["links"]["self"]).json()["fab"]["revision"] == job["fab"]["revision"] != FIRST
    assert client.get(job["links"]["fab"]).status_code == 200
