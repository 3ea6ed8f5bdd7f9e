"""Every route, asked by another owner, without a key, and with a key that may do all but this.

The routes are those that the application has. A new one fails here until `ROUTES` says whose things it shows and which
scope it takes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from service.asking import ask
from tests.service.fixtures import FAB, a_worker, backing, is_problem, make_key, service
from worker.access_key import SCOPES
from worker.job import Package
from worker.result_archive import write_archive
from worker.settings import PROJECT, Environment

HIDDEN = "hidden"
"""It names a thing by id: another owner's is answered as one that is not there."""
LISTED = "listed"
"""It lists the caller's things."""
OWN = "own"
"""It makes or changes the caller's own things, whatever others have."""
ADMIN = "admin"
"""It is about the service; whoever has the scope may."""
ANY_KEY = "any key"
OPEN = "open"
SIGN_IN = "sign in"
"""It takes the service's own page, by Origin, and a key as its content (test_session.py)."""
LINK = "link"
"""It takes a signed link in place of a key (test_links.py)."""

FAB_TOML = (PROJECT / "samples" / "fabs" / f"{FAB}.toml").read_bytes()
ADAS_FAB, ADAS_TOML = "adas-board", FAB_TOML.replace(f'id = "{FAB}"'.encode(), b'id = "adas-board"', 1)
NOBODYS_FAB = "nobodys-board"
READING = {"lab": [72, 5, 33], "illuminant": "D50", "observer": "2", "geometry": "45:0", "origin": "measured"}
READINGS = b"finish,geometry,origin,illuminant,observer,L*,a*,b*\ngold,45:0,measured,D50,2,71,5,33\n"
EDIT = {"If-Match": "*"}


@dataclass(frozen=True)
class Way:
    """How a route is asked, what for, and which scope it takes."""

    shows: str
    scope: str = ""
    headers: Mapping[str, str] = field(default_factory=dict)
    sent: Mapping[str, Any] = field(default_factory=dict)


ROUTES = {
    "GET /openapi.json": Way(ANY_KEY),
    "HEAD /openapi.json": Way(ANY_KEY),
    "POST /v1/jobs": Way(OWN, "submit", {"Idempotency-Key": "adas"}, {"files": {"artwork": ("a.png", b"other")}}),
    "GET /v1/jobs": Way(LISTED, "read"),
    "GET /v1/jobs/{job_id}": Way(HIDDEN, "read"),
    "DELETE /v1/jobs/{job_id}": Way(HIDDEN, "submit"),
    "GET /v1/jobs/{job_id}/events": Way(HIDDEN, "read"),
    "GET /v1/jobs/{job_id}/files": Way(HIDDEN, "read"),
    "GET /v1/jobs/{job_id}/files/{path}": Way(HIDDEN, "read"),
    "HEAD /v1/jobs/{job_id}/files/{path}": Way(HIDDEN, "read"),
    "GET /v1/jobs/{job_id}/package.zip": Way(HIDDEN, "read"),
    "HEAD /v1/jobs/{job_id}/package.zip": Way(HIDDEN, "read"),
    "POST /v1/jobs/{job_id}/links": Way(HIDDEN, "submit", sent={"json": {}}),
    "DELETE /v1/jobs/{job_id}/links": Way(HIDDEN, "submit"),
    "DELETE /v1/links": Way(OWN, "submit"),
    "GET /v1/shared/{job_id}/files/{path}": Way(LINK),
    "HEAD /v1/shared/{job_id}/files/{path}": Way(LINK),
    "GET /v1/shared/{job_id}/package.zip": Way(LINK),
    "HEAD /v1/shared/{job_id}/package.zip": Way(LINK),
    "POST /v1/panels": Way(
        HIDDEN, "submit", sent={"json": {"size": [50, 50], "pieces": [{"job": "{job_id}"}]}}
    ),
    "POST /v1/collections": Way(OWN, "submit", sent={"files": {"artwork": ("a.png", b"x")}}),
    "GET /v1/collections": Way(LISTED, "read"),
    "GET /v1/collections/{collection_id}": Way(HIDDEN, "read"),
    "DELETE /v1/collections/{collection_id}": Way(HIDDEN, "submit"),
    "POST /v1/collections/{collection_id}/retry": Way(HIDDEN, "submit"),
    "GET /v1/collections/{collection_id}/artworks": Way(HIDDEN, "read"),
    "GET /v1/collections/{collection_id}/events": Way(HIDDEN, "read"),
    "GET /v1/collections/{collection_id}/report.json": Way(HIDDEN, "read"),
    "GET /v1/collections/{collection_id}/report.html": Way(HIDDEN, "read"),
    "GET /v1/collections/{collection_id}/contact-sheet.png": Way(HIDDEN, "read"),
    "GET /v1/collections/{collection_id}/animation.{form}": Way(HIDDEN, "read"),
    "GET /v1/collections/{collection_id}/package.zip": Way(HIDDEN, "read"),
    "GET /v1/fabs": Way(LISTED, "read"),
    "GET /v1/fabs/{fab_id}": Way(HIDDEN, "read"),
    "PUT /v1/fabs/{fab_id}": Way(OWN, "edit-fabs", sent={"content": ADAS_TOML + b"# mine\n"}),
    "GET /v1/fabs/{fab_id}/references": Way(HIDDEN, "read"),
    "POST /v1/fabs/{fab_id}/preview": Way(HIDDEN, "read", sent={"json": {"job": "{job_id}"}}),
    "GET /v1/fabs/{fab_id}/finishes/{finish}/readings": Way(HIDDEN, "read"),
    "POST /v1/fabs/{fab_id}/finishes/{finish}/readings": Way(
        HIDDEN, "edit-fabs", EDIT, {"json": {"reading": READING}}
    ),
    "DELETE /v1/fabs/{fab_id}/finishes/{finish}/readings/{index}": Way(HIDDEN, "edit-fabs", EDIT),
    "PUT /v1/fabs/{fab_id}/finishes/{finish}/override": Way(
        HIDDEN, "edit-fabs", EDIT, {"json": {"lab": [70, 4, 28], "illuminant": "D65", "observer": "2"}}
    ),
    "DELETE /v1/fabs/{fab_id}/finishes/{finish}/override": Way(HIDDEN, "edit-fabs", EDIT),
    "POST /v1/fabs/{fab_id}/import": Way(
        HIDDEN,
        "edit-fabs",
        EDIT,
        {"files": {"file": ("a.csv", READINGS)}},
    ),
    "GET /v1/fabs/{fab_id}/export": Way(HIDDEN, "read"),
    "GET /v1/fabs/{fab_id}/revisions": Way(HIDDEN, "read"),
    "POST /v1/fabs/{fab_id}/restore": Way(HIDDEN, "edit-fabs", EDIT, {"json": {"revision": "{revision}"}}),
    "GET /v1/fabs/{fab_id}/diff": Way(HIDDEN, "read", sent={"params": {"from": "{revision}"}}),
    "POST /v1/fabs/{fab_id}/photograph": Way(HIDDEN, "submit", sent={"files": {"photo": ("a.jpg", b"x")}}),
    "POST /v1/keys": Way(ADMIN, "admin", sent={"json": {"owner": "zoe", "scopes": ["read"]}}),
    "GET /v1/keys": Way(ADMIN, "admin"),
    "GET /v1/keys/{key_id}": Way(ADMIN, "admin"),
    "DELETE /v1/keys/{key_id}": Way(ADMIN, "admin"),
    "GET /v1/audit": Way(ADMIN, "admin"),
    "GET /metrics": Way(ADMIN, "admin"),
    "GET /v1/jobs/{job_id}/look": Way(HIDDEN, "read"),
    "POST /v1/plans": Way(OWN, "submit", sent={"files": {"artwork": ("a.png", b"x")}}),
    "POST /v1/drafts": Way(OWN, "submit", sent={"files": {"artwork": ("a.png", b"x")}}),
    "POST /v1/circuits": Way(OWN, "submit", sent={"files": {"circuit": ("a.zip", b"x")}}),
    "GET /v1/session": Way(ANY_KEY),
    "POST /v1/session": Way(SIGN_IN, sent={"json": {"key": "none"}}),
    "DELETE /v1/session": Way(SIGN_IN),
    "GET /": Way(OPEN),
    "HEAD /": Way(OPEN),
    "GET /page/{name}": Way(OPEN),
    "HEAD /page/{name}": Way(OPEN),
    "GET /livez": Way(OPEN),
    "GET /readyz": Way(OPEN),
}  # fmt: skip


def routes_of(app: Any) -> Iterator[str]:
    """Every method and path that the application answers, those that its description leaves out, too."""
    for mounted in app.routes:
        router = getattr(mounted, "original_router", None)
        for route in [mounted] if router is None else router.routes:
            for method in route.methods:
                yield f"{method} {route.path.replace(':path}', '}')}"


def test_every_route_of_the_application_has_its_place_here() -> None:
    app = create_app(Environment())
    found = list(routes_of(app))
    assert set(found) == set(ROUTES) and len(found) == len(ROUTES)
    described = {f"{method.upper()} {path}" for path, item in app.openapi()["paths"].items() for method in item}
    assert described <= set(found)


def test_the_description_says_which_scope_each_route_takes() -> None:
    for path, item in create_app(Environment()).openapi()["paths"].items():
        for method, operation in item.items():
            way = ROUTES[f"{method.upper()} {path}"]
            keyless, *with_key = operation["security"]
            scopes = [way.scope] if way.scope else []
            assert keyless == {} and with_key == ([{"key": scopes}] if scopes or operation["tags"] == ["who"] else [])


@dataclass(frozen=True)
class Scene:
    """A service with what Ada has, and the header of a key of Bob's that may do anything."""

    client: TestClient
    ids: Mapping[str, str]
    ada: Mapping[str, str]
    bob: Mapping[str, str]

    def ask(self, route: str, headers: Mapping[str, str], **other: str) -> Any:
        """The response to a route, asked with Ada's ids, or others."""
        method, path = route.split(" ")
        way, ids = ROUTES[route], {**self.ids, **other}
        sent: dict[str, Any] = {}
        for name, value in way.sent.items():
            filled = isinstance(value, dict) and name in ("json", "params")
            sent[name] = {one: _fill(text, ids) for one, text in value.items()} if filled else value
        if route in ("POST /v1/jobs", "POST /v1/collections", "POST /v1/drafts"):
            sent["data"] = {"fab": FAB, "width": "20mm"}
        return self.client.request(method, _fill(path, ids), headers={**way.headers, **headers}, **sent)


def _fill(text: Any, ids: Mapping[str, str]) -> Any:
    if isinstance(text, list):
        return [_fill(one, ids) for one in text]
    if isinstance(text, dict):
        return {name: _fill(one, ids) for name, one in text.items()}
    return text.format(**ids) if isinstance(text, str) else text


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    with service(tmp_path_factory.mktemp("owners")) as client:
        ada, bob = make_key(client, "ada"), make_key(client, "bob")
        assert client.put(f"/v1/fabs/{ADAS_FAB}", content=ADAS_TOML, headers=ada).status_code == 201
        posted = client.post(
            "/v1/jobs",
            files={"artwork": ("adas-badge.png", b"artwork")},
            data={"fab": ADAS_FAB, "width": "20mm"},
            headers={**ada, "Idempotency-Key": "adas"},
        )
        job = posted.json()["id"]
        publish(client, job, {"masks/gold.png": b"mask", "tuning.npz": b"arrays"})
        collection = client.post(
            "/v1/collections",
            files={"artwork": ("adas-badge.png", b"artwork")},
            data={"fab": ADAS_FAB, "width": "20mm"},
            headers=ada,
        )
        key_id = ada["Authorization"].split("_")[1]
        revision = client.get(f"/v1/fabs/{ADAS_FAB}", headers=ada).headers["etag"].strip('"')
        ids = {
            "form": "webp",
            "job_id": job, "fab_id": ADAS_FAB, "finish": "gold", "index": "0", "path": "masks/gold.png",
            "name": "main.js", "key_id": key_id, "revision": revision, "collection_id": collection.json()["id"],
        }  # fmt: skip
        yield Scene(client, ids, ada, bob)


def publish(client: TestClient, job_id: str, files: Mapping[str, bytes]) -> None:
    ledger, store = backing(client).ledger, backing(client).store
    claim = ledger.jobs.claim("batch", "test")
    assert claim is not None and claim.job.id == job_id
    with store.spool() as spooled:
        written = write_archive(spooled, claim.job.name, files.items())
        store.keep(f"results/{job_id}/{claim.token}", spooled)
    package = Package(key=f"results/{job_id}/{claim.token}", bytes=written.bytes, files=written.files)
    assert ledger.jobs.publish(job_id, claim.token, package, {})


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Questions are not waited for: there is no worker."""
    assert ask.__kwdefaults__ is not None
    monkeypatch.setitem(ask.__kwdefaults__, "seconds", 0.0)


def of_kind(*kinds: str) -> list[str]:
    return [route for route, way in ROUTES.items() if way.shows in kinds]


@pytest.mark.parametrize("route", of_kind(HIDDEN))
def test_another_owners_things_are_answered_as_things_that_are_not_there(
    scene: Scene, route: str, impatient: None
) -> None:
    response = scene.ask(route, scene.bob)
    nothing = scene.ask(route, scene.bob, job_id="0" * 32, fab_id=NOBODYS_FAB)
    if route.startswith("HEAD"):
        assert response.status_code == nothing.status_code == 404
        return
    assert is_problem(response, 404) and is_problem(nothing, 404)
    told = response.text.replace(scene.ids["job_id"], "0" * 32).replace(ADAS_FAB, NOBODYS_FAB)
    assert told == nothing.text and set(response.headers) == set(nothing.headers)


@pytest.mark.parametrize("route", of_kind(LISTED))
def test_a_list_shows_nothing_of_another_owner(scene: Scene, route: str) -> None:
    mine, theirs = scene.ask(route, scene.ada), scene.ask(route, scene.bob)
    assert mine.status_code == theirs.status_code == 200
    for mark in (scene.ids["job_id"], ADAS_FAB, "adas-badge"):
        assert mark not in theirs.text
    assert (scene.ids["job_id"] if "jobs" in route else ADAS_FAB) in mine.text


def test_what_another_owner_does_leaves_all_as_it_is(scene: Scene) -> None:
    def seen() -> list[Any]:
        paths = [
            f"/v1/jobs/{scene.ids['job_id']}",
            "/v1/jobs",
            f"/v1/fabs/{ADAS_FAB}/revisions",
            f"/v1/fabs/{ADAS_FAB}",
        ]
        shared = scene.client.get(link)
        return [scene.client.get(path, headers=scene.ada).content for path in paths] + [shared.status_code]

    made = scene.client.post(f"/v1/jobs/{scene.ids['job_id']}/links", json={}, headers=scene.ada)
    link = made.json()["href"]
    before = seen()
    assert before[-1] == 200
    carl = make_key(scene.client, "carl")
    with a_worker(scene.client):
        for route in of_kind(HIDDEN, OWN, LISTED, LINK):
            assert scene.ask(route, carl).status_code < 500, route
    assert seen() == before
    mine = scene.client.get("/v1/jobs", headers=carl).json()["jobs"]
    assert [job["artwork"]["name"] for job in mine] == ["a.png", "a.png"], "his own, by the same Idempotency-Key, too"
    assert b"# mine" in scene.client.get(f"/v1/fabs/{ADAS_FAB}", headers=carl).content


def test_a_job_of_another_owner_can_be_neither_previewed_nor_can_its_fab_be_used(scene: Scene) -> None:
    response = scene.client.post(f"/v1/fabs/{FAB}/preview", json={"job": scene.ids["job_id"]}, headers=scene.bob)
    assert is_problem(response, 404, scene.ids["job_id"])
    cleo = make_key(scene.client, "cleo")
    response = scene.client.post(
        "/v1/jobs", files={"artwork": ("a.png", b"x")}, data={"fab": ADAS_FAB, "width": "20mm"}, headers=cleo
    )
    assert is_problem(response, 422, "There is no fab")


@pytest.mark.parametrize("route", [route for route, way in ROUTES.items() if way.shows not in (OPEN, LINK, SIGN_IN)])
def test_no_route_answers_without_a_key(scene: Scene, route: str) -> None:
    response = scene.ask(route, {})
    assert response.status_code == 401 and response.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize("route", [route for route, way in ROUTES.items() if way.scope])
def test_every_route_takes_its_scope_and_no_other(scene: Scene, route: str, impatient: None) -> None:
    scope = ROUTES[route].scope
    lacking = make_key(scene.client, "dora", *(one for one in SCOPES if one != scope))
    response = scene.ask(route, lacking)
    assert response.status_code == 403 and f'scope="{scope}"' in response.headers["www-authenticate"]
    if not route.startswith("HEAD"):
        assert is_problem(response, 403, scope)
    enough = make_key(scene.client, "dora", scope)
    # An id that is not there: the key is let through, and nothing of Ada's is touched.
    assert scene.ask(route, enough, key_id="nokey").status_code not in (401, 403)


@pytest.mark.parametrize("route", of_kind(OPEN, ANY_KEY))
def test_what_is_open_shows_nothing_of_anybody(scene: Scene, route: str) -> None:
    headers = {} if ROUTES[route].shows == OPEN else make_key(scene.client, "emil", "read")
    response = scene.ask(route, headers)
    assert response.status_code in (200, 503)
    assert ADAS_FAB not in response.text and scene.ids["job_id"] not in response.text


@pytest.mark.parametrize("route", of_kind(LINK))
def test_a_shared_result_takes_its_link_whatever_the_key(scene: Scene, route: str) -> None:
    for headers in ({}, scene.bob, scene.ada):
        assert scene.ask(route, headers).status_code == 404
