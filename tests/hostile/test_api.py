"""What the OpenAPI document allows, and what it does not, sent to every route: Schemathesis, with a seed.

It checks that no answer is a 5xx, that each status is documented, and that each body has the form that is described.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import requests
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import Case, GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service import asking, drawn_files
from service.routes import circuits, looks, photographs, plans, readings, tuning
from tests.engine.sweeps import WHOLE, sweep_size
from tests.hostile.judging import fault_of_words
from tests.service.fixtures import FAB, finish, post, service

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
AWAY = CHECKS[1:]
"""Of what says that the broker or a worker is away, as they are here, by a 503."""
NEED_THEM = ("/readyz", "/v1/fabs/{fab_id}/import")
FOLLOWED = ("GET", "/v1/jobs/{job_id}/events")
"""Goes on until its job has ended: tests/service/test_jobs.py has it."""


@schemathesis.serializer("application/toml")
def toml(_: Any, value: Any) -> bytes:
    """A profile is text, and so is what is none."""
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "replace")


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """A service with a job that is done and one that waits; no worker answers, so questions wait for a moment only."""
    with pytest.MonkeyPatch.context() as patch, service(tmp_path_factory.mktemp("service")) as client:

        async def asked(*given: Any, **_: Any) -> Any:
            return await asking.ask(*given, seconds=0.0)

        async def asked_once(*given: Any, **_: Any) -> Any:
            return await asking.ask_once(*given, seconds=0.0)

        for room in (tuning, photographs, readings, plans, looks, circuits):
            patch.setattr(room, "ask", asked)
        for room in (looks, drawn_files):
            patch.setattr(room, "ask_once", asked_once)
        done = post(client).json()["id"]
        finish(client, done, {"report.json": b"{}", "masks/gold.png": b"PNG"}, {"width_mm": 60.0, "seconds": 0.5})
        post(client, name="waits.png")
        yield client


def operations() -> list[tuple[str, str]]:
    from service.app import app

    return [
        (method.upper(), path)
        for path, found in app.openapi()["paths"].items()
        for method in found
        if (method.upper(), path) != FOLLOWED
    ]


def known_ids(client: TestClient, case: Case) -> None:
    """Now and then what exists is named, so that a request comes past the search for it."""
    jobs = [job["id"] for job in client.get("/v1/jobs").json()["jobs"]]
    parameters = case.path_parameters or {}
    for name, value in {"job_id": jobs[-1], "fab_id": FAB, "finish": "gold", "path": "report.json", "index": 0}.items():
        if name in parameters and len(str(parameters[name])) % 2:
            parameters[name] = value


@pytest.fixture(scope="module")
def schema(client: TestClient) -> Any:
    """Read once: it takes a second."""
    return schemathesis.openapi.from_dict(client.app.openapi())  # type: ignore[attr-defined]


@pytest.mark.parametrize(("method", "path"), operations(), ids=lambda part: part)
def test_every_answer_is_one_that_is_described(client: TestClient, schema: Any, method: str, path: str) -> None:
    operation = schema[path][method]
    for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
        try:
            strategy = operation.as_strategy(generation_mode=mode)
            _send_all(client, strategy, AWAY if path in NEED_THEM else CHECKS)
        except Unsatisfiable as error:
            assert mode == GenerationMode.NEGATIVE, error  # where any text is right, nothing wrong can be asked


def _sent(client: TestClient, case: Case) -> Any:
    """The answer to a case, as a program would send it over the wire."""
    asked = case.as_transport_kwargs(base_url="http://127.0.0.1")
    kept = ("method", "url", "headers", "params", "data", "json", "files", "cookies")
    wired = requests.Request(**{name: asked[name] for name in kept if asked.get(name) is not None}).prepare()
    return client.request(str(wired.method), str(wired.url), headers=dict(wired.headers), content=wired.body)


def _send_all(client: TestClient, strategy: Any, checks: list[Any]) -> None:
    @seed(5)
    @settings(
        max_examples=sweep_size(1, 200), deadline=None, derandomize=not WHOLE, suppress_health_check=list(HealthCheck)
    )
    @given(case=strategy)
    def send(case: Case) -> None:
        known_ids(client, case)
        response = _sent(client, case)
        case.validate_response(response, checks=checks)
        if response.status_code >= 400:
            quoted = f"{case.path_parameters}{case.query}{case.headers}{case.body!r}"
            assert fault_of_words(response.json()["detail"], "and its mend", quoted) == ""

    send()
