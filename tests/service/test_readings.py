"""Readings and overrides over HTTP: each edit starts from the revision that it names (RFC 9110 section 13.1)."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from service.routes import readings
from tests.service.fixtures import FAB, a_worker, backing, is_problem, service
from worker.fab_profile import read_fab_profile
from worker.settings import PROJECT

TOML = (PROJECT / "samples" / "fabs" / f"{FAB}.toml").read_bytes()
ADDRESS = f"/v1/fabs/{FAB}"
READINGS = f"{ADDRESS}/finishes/gold/readings"
OVERRIDE = f"{ADDRESS}/finishes/gold/override"
READING = {
    "lab": [76.0, 5.0, 33.0], "illuminant": "D50", "observer": "2", "geometry": "d:8 SCI", "origin": "measured",
    "date": "2026-01-31", "batch": "order 7",
}  # fmt: skip
SPECTRUM = {
    "spectrum": {"start_nm": 400, "step_nm": 10, "values": [0.4 + 0.01 * i for i in range(31)]},
    "geometry": "45:0", "origin": "measured",
}  # fmt: skip


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def tag(client: TestClient) -> dict[str, str]:
    return {"If-Match": client.get(ADDRESS).headers["etag"]}


def add(client: TestClient, reading: Any = READING, **more: Any) -> Any:
    return client.post(READINGS, json={"reading": reading, **more}, headers=tag(client))


def test_a_reading_is_added_at_the_end_and_nothing_else_changes(client: TestClient) -> None:
    before = client.get(READINGS)
    assert before.headers["etag"] == client.get(ADDRESS).headers["etag"]
    count = len(before.json()["finish"]["readings"])
    for number, reading in enumerate((READING, SPECTRUM)):
        response = add(client, reading)
        assert response.status_code == 200, response.text
        answer = response.json()
        assert response.headers["etag"] == f'"{answer["revision"]}"' == client.get(ADDRESS).headers["etag"]
        added = answer["finish"]["readings"][count + number]
        assert {key: added[key] for key in reading} == reading
        assert added["grade"] == ("spectral" if "spectrum" in reading else "colorimetric")
    toml = client.get(ADDRESS).content
    lines = toml.splitlines()
    assert [line for line in TOML.splitlines() if line not in lines] == []
    assert len(read_fab_profile(toml).finish("gold").readings) == count + 2
    assert client.get(f"{ADDRESS}/finishes/mask/readings").json()["finish"] == next(
        finish
        for finish in client.get(ADDRESS, headers={"Accept": "application/json"}).json()["finishes"]
        if finish["id"] == "mask"
    )


EDITS = [
    ("POST", READINGS, {"json": {"reading": READING}}),
    ("DELETE", f"{READINGS}/0", {}),
    ("PUT", OVERRIDE, {"json": {"lab": [70, 4, 28], "illuminant": "D65", "observer": "2"}}),
    ("DELETE", OVERRIDE, {}),
    ("POST", f"{ADDRESS}/import", {"files": {"file": ("a.csv", b"finish,L*,a*,b*\ngold,71,2,33\n")}}),
    ("POST", f"{ADDRESS}/restore", {"json": {"revision": read_fab_profile(TOML).revision}}),
]


@pytest.mark.parametrize(("method", "path", "body"), EDITS)
def test_no_edit_without_the_revision_that_it_started_from(
    client: TestClient, method: str, path: str, body: dict[str, Any]
) -> None:
    if path.endswith("import"):
        body = {**body, "data": {"geometry": "45:0", "origin": "measured", "illuminant": "D65", "observer": "2"}}
    assert is_problem(client.request(method, path, **body), 428, "If-Match")
    assert is_problem(client.request(method, path, **body, headers={"If-Match": '"0"'}), 412, "Read it again")
    weak = {"If-Match": f"W/{client.get(ADDRESS).headers['etag']}"}
    assert is_problem(client.request(method, path, **body, headers=weak), 412)
    assert client.get(ADDRESS).content == TOML


def test_of_many_readings_at_once_one_is_added(client: TestClient) -> None:
    headers = tag(client)
    with ThreadPoolExecutor(6) as pool:
        edits = [pool.submit(client.post, READINGS, json={"reading": READING}, headers=headers) for _ in range(6)]
        assert sorted(edit.result().status_code for edit in edits) == [200] + [412] * 5


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        ({**READING, "illuminant": None}, ("finish gold", "without illuminant")),
        ({"lab": [76, 5, 33], "origin": "measured"}, ("illuminant, observer, geometry",)),
        ({**READING, "xyz": [1, 2, 3]}, ("xyz and lab", "exactly one")),
        ({**READING, "lab": [300, 5, 33]}, ("300", "110")),
        ({**READING, "colour": "gold"}, ("reading.colour", "not a known key")),
        ({**SPECTRUM, "spectrum": {"start_nm": 400, "step_nm": 10, "values": [40.0] * 31}}, ("40", "0 to 2")),
        ({**SPECTRUM, "illuminant": "D50"}, ("illuminant", "spectrum")),
    ],
)
def test_a_reading_that_lacks_or_contradicts_is_refused(client: TestClient, reading: Any, words: Any) -> None:
    assert is_problem(add(client, reading), 422, *words)
    assert client.get(ADDRESS).content == TOML


def test_other_wrong_requests_say_what_is_wrong(client: TestClient) -> None:
    assert is_problem(client.post(READINGS, json={"readings": []}, headers=tag(client)), 422, "reading")
    assert is_problem(client.get(f"{ADDRESS}/finishes/velvet/readings"), 404, "velvet", "gold")
    wrong = f"{ADDRESS}/finishes/velvet/readings"
    assert is_problem(client.post(wrong, json={"reading": READING}, headers=tag(client)), 404, "velvet", "gold")
    assert is_problem(client.delete(f"{READINGS}/99", headers=tag(client)), 404, "no reading 99")
    assert is_problem(client.delete(OVERRIDE, headers=tag(client)), 404, "by hand")
    assert is_problem(client.get("/v1/fabs/none/finishes/gold/readings"), 404, "none")
    assert is_problem(add(client, by="x" * 101), 422, "100 letters")
    assert is_problem(add(client, by="a\nb"), 422, "one line")
    assert client.get(ADDRESS).content == TOML


def test_a_reading_is_dropped_but_never_the_last(client: TestClient) -> None:
    first = client.get(READINGS).json()["finish"]["readings"]
    add(client)
    left = client.delete(f"{READINGS}/0", headers=tag(client)).json()["finish"]["readings"]
    assert len(left) == len(first) and left[-1]["batch"] == "order 7"
    while len(left) > 1:
        left = client.delete(f"{READINGS}/0", headers=tag(client)).json()["finish"]["readings"]
    assert is_problem(client.delete(f"{READINGS}/0", headers=tag(client)), 422, "one reading only")


def test_a_reference_is_set_by_hand_and_taken_back(client: TestClient) -> None:
    body = {"lab": [70, 4, 28], "illuminant": "D65", "observer": "2", "by": "Ada", "note": "warmer"}
    done = client.put(OVERRIDE, json=body, headers=tag(client)).json()
    override = done["finish"]["override"]
    assert {key: override[key] for key in body} == body and len(override["date"]) == 10
    assert len(done["finish"]["readings"]) == len(read_fab_profile(TOML).finish("gold").readings)
    back = client.delete(OVERRIDE, headers=tag(client)).json()
    assert back["finish"]["override"] is None
    assert read_fab_profile(client.get(ADDRESS).content).finishes == read_fab_profile(TOML).finishes
    assert is_problem(client.put(OVERRIDE, json={**body, "lab": [1, 2]}, headers=tag(client)), 422, "lab")
    wrong = {**body, "illuminant": "candle"}
    assert is_problem(client.put(OVERRIDE, json=wrong, headers=tag(client)), 422, "candle", "D65")


def import_file(client: TestClient, data: bytes, name: str = "a.csv", **options: Any) -> Any:
    with a_worker(client):
        return client.post(f"{ADDRESS}/import", files={"file": (name, data)}, data=options, headers=tag(client))


CGATS = b"""CGATS.17
ORIGINATOR "by hand"
NUMBER_OF_FIELDS 4
BEGIN_DATA_FORMAT
SAMPLE_ID LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 2
BEGIN_DATA
A1 75.5 5.5 33.5
A2 76.5 5.5 32.5
END_DATA
"""
"""By hand from the standard's keywords (CGATS.17, ISO 28178)."""
CONDITIONS = {"geometry": "45:0", "origin": "measured", "illuminant": "D50", "observer": "2"}


def test_files_of_readings_are_imported_whole_and_once(client: TestClient) -> None:
    response = import_file(client, CGATS, "export.txt", finish="gold", by="Ada", **CONDITIONS)
    assert response.status_code == 200, response.text
    assert response.json()["finishes"] == [{"finish": "gold", "added": 2, "left_out": 0}]
    revision = response.json()["revision"]
    assert response.headers["etag"] == f'"{revision}"'
    again = import_file(client, CGATS, "export.txt", sample=["A1=gold", "A2=gold"], **CONDITIONS).json()
    assert again["finishes"] == [{"finish": "gold", "added": 0, "left_out": 2}] and again["revision"] == revision
    assert [r["lab"][0] for r in client.get(READINGS).json()["finish"]["readings"]][-2:] == [75.5, 76.5]


@pytest.mark.parametrize(
    ("data", "options", "words"),
    [
        (CGATS, CONDITIONS, ("A1", "no finish")),
        (CGATS, {**CONDITIONS, "finish": "velvet"}, ("velvet", "gold")),
        (CGATS, {**CONDITIONS, "finish": "gold", "sample": ["B9=gold"]}, ("B9",)),
        (CGATS, {**CONDITIONS, "finish": "gold", "colour": "x"}, ("colour", "sample")),
        (CGATS, {**CONDITIONS, "finish": ["gold", "mask"]}, ("finish is given twice",)),
        (CGATS, {**CONDITIONS, "finish": "gold", "scale": "promille"}, ("promille",)),
        (CGATS, {"finish": "gold"}, ("geometry",)),
        (b"<!DOCTYPE a [<!ENTITY b 'c'>]><a>&b;</a>", CONDITIONS, ("a.csv",)),
        (CGATS[:90], {**CONDITIONS, "finish": "gold"}, ("a.csv",)),
        (b"", CONDITIONS, ("empty",)),
    ],
)
def test_a_wrong_file_changes_nothing(client: TestClient, data: bytes, options: Any, words: Any) -> None:
    response = import_file(client, data, **options)
    assert is_problem(response, 422, *words) and "--" not in response.json()["detail"]
    assert client.get(ADDRESS).content == TOML


def test_a_file_that_is_too_large_or_missing(client: TestClient) -> None:
    assert is_problem(import_file(client, b" " * (9 << 20)), 413, "file")
    nothing = client.post(f"{ADDRESS}/import", files={"other": b""}, headers=tag(client))
    assert is_problem(nothing, 422)


def test_an_import_that_no_worker_takes_up_is_called_off(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    assert readings.ask.__kwdefaults__ is not None
    monkeypatch.setitem(readings.ask.__kwdefaults__, "seconds", 0.2)
    headers, options = tag(client), {**CONDITIONS, "finish": "gold"}
    response = client.post(f"{ADDRESS}/import", files={"file": ("a.txt", CGATS)}, data=options, headers=headers)
    assert is_problem(response, 503, "nothing was imported", "Send it again") and response.headers["retry-after"]
    (job,) = backing(client).ledger.jobs.page("local", before=None, size=2)
    assert (job.kind, job.state) == ("readings", "cancelled")
    assert client.get(ADDRESS).content == TOML


def test_an_edit_between_wins_over_an_import(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    ask = readings.ask

    async def ask_late(*arguments: Any, **options: Any) -> Any:
        job = await ask(*arguments, **options)
        await asyncio.to_thread(add, client)
        return job

    monkeypatch.setattr(readings, "ask", ask_late)
    assert is_problem(import_file(client, CGATS, finish="gold", **CONDITIONS), 412, "by another", "Read it again")
    assert (
        len(client.get(READINGS).json()["finish"]["readings"])
        == len(read_fab_profile(TOML).finish("gold").readings) + 1
    )


@pytest.mark.parametrize(("kind", "media_type"), [("csv", "text/csv"), ("cgats", "text/plain")])
def test_what_is_exported_can_be_imported_again(client: TestClient, kind: str, media_type: str) -> None:
    add(client)
    exported = client.get(f"{ADDRESS}/export?format={kind}&finish=gold")
    assert exported.headers["content-type"].startswith(media_type) and exported.headers["etag"]
    assert "attachment" in exported.headers["content-disposition"]
    revision = client.get(ADDRESS).headers["etag"].strip('"')
    again = import_file(client, exported.content, "again")
    assert again.json()["revision"] == revision, again.text
    assert is_problem(client.get(f"{ADDRESS}/export?finish=velvet"), 404, "velvet")
    assert is_problem(client.get(f"{ADDRESS}/export?format=xls"), 422, "format")
