"""The API's description: valid by the OpenAPI 3.1 schema, complete, with examples."""

from __future__ import annotations

from typing import Any

import pytest
from openapi_spec_validator import validate

from service.app import create_app
from worker.job_settings import SETTINGS
from worker.settings import Environment

ROUTES = {
    ("post", "/v1/jobs"),
    ("get", "/v1/jobs"),
    ("get", "/v1/jobs/{job_id}"),
    ("delete", "/v1/jobs/{job_id}"),
    ("get", "/v1/jobs/{job_id}/events"),
    ("get", "/v1/jobs/{job_id}/files"),
    ("get", "/v1/jobs/{job_id}/files/{path}"),
    ("get", "/v1/jobs/{job_id}/package.zip"),
    ("post", "/v1/panels"),
    ("post", "/v1/collections"),
    ("get", "/v1/collections"),
    ("get", "/v1/collections/{collection_id}"),
    ("delete", "/v1/collections/{collection_id}"),
    ("post", "/v1/collections/{collection_id}/retry"),
    ("get", "/v1/collections/{collection_id}/artworks"),
    ("get", "/v1/collections/{collection_id}/events"),
    ("get", "/v1/collections/{collection_id}/report.json"),
    ("get", "/v1/collections/{collection_id}/report.html"),
    ("get", "/v1/collections/{collection_id}/contact-sheet.png"),
    ("get", "/v1/collections/{collection_id}/animation.{form}"),
    ("get", "/v1/collections/{collection_id}/package.zip"),
    ("get", "/v1/fabs"),
    ("get", "/v1/fabs/{fab_id}"),
    ("put", "/v1/fabs/{fab_id}"),
    ("get", "/v1/fabs/{fab_id}/references"),
    ("post", "/v1/fabs/{fab_id}/preview"),
    ("get", "/v1/fabs/{fab_id}/finishes/{finish}/readings"),
    ("post", "/v1/fabs/{fab_id}/finishes/{finish}/readings"),
    ("delete", "/v1/fabs/{fab_id}/finishes/{finish}/readings/{index}"),
    ("put", "/v1/fabs/{fab_id}/finishes/{finish}/override"),
    ("delete", "/v1/fabs/{fab_id}/finishes/{finish}/override"),
    ("post", "/v1/fabs/{fab_id}/import"),
    ("get", "/v1/fabs/{fab_id}/export"),
    ("get", "/v1/fabs/{fab_id}/revisions"),
    ("post", "/v1/fabs/{fab_id}/restore"),
    ("get", "/v1/fabs/{fab_id}/diff"),
    ("post", "/v1/fabs/{fab_id}/photograph"),
    ("post", "/v1/jobs/{job_id}/links"),
    ("delete", "/v1/jobs/{job_id}/links"),
    ("delete", "/v1/links"),
    ("get", "/v1/shared/{job_id}/files/{path}"),
    ("get", "/v1/shared/{job_id}/package.zip"),
    ("post", "/v1/keys"),
    ("get", "/v1/keys"),
    ("get", "/v1/keys/{key_id}"),
    ("delete", "/v1/keys/{key_id}"),
    ("get", "/v1/audit"),
    ("get", "/v1/jobs/{job_id}/look"),
    ("post", "/v1/drafts"),
    ("post", "/v1/plans"),
    ("post", "/v1/circuits"),
    ("get", "/v1/session"),
    ("post", "/v1/session"),
    ("delete", "/v1/session"),
    ("get", "/livez"),
    ("get", "/readyz"),
    ("get", "/metrics"),
}


@pytest.fixture(scope="module")
def described() -> dict[str, Any]:
    return create_app(Environment()).openapi()


def test_it_is_valid(described: dict[str, Any]) -> None:
    validate(described)


def test_every_route_is_there_with_summary_and_description(described: dict[str, Any]) -> None:
    found = {(method, path): op for path, ops in described["paths"].items() for method, op in ops.items()}
    assert set(found) == ROUTES
    for route, operation in found.items():
        assert operation["summary"] and operation["description"], route


def test_every_error_is_a_problem_document(described: dict[str, Any]) -> None:
    for path, operations in described["paths"].items():
        for operation in operations.values():
            for status, answer in operation["responses"].items():
                if int(status) >= 400:
                    assert "application/problem+json" in answer["content"], (path, status)


def test_the_form_names_every_setting_with_an_example(described: dict[str, Any]) -> None:
    form = described["paths"]["/v1/jobs"]["post"]["requestBody"]["content"]["multipart/form-data"]
    assert set(form["schema"]["properties"]) == {
        "artwork",
        "bottom",
        "board_file",
        "circuit",
        "circuit_file",
        "keep_out",
        "from_job",
        "fab",
        "lane",
        *SETTINGS,
    }
    for name, (example, _, meaning) in SETTINGS.items():
        schema = form["schema"]["properties"][name]
        assert schema["description"] == meaning and example in (
            schema.get("example"),
            schema.get("items", {}).get("example"),
        )
    assert form["examples"]


def test_every_field_of_every_answer_has_an_example(described: dict[str, Any]) -> None:
    for name, schema in described["components"]["schemas"].items():
        if "examples" in schema:
            continue
        for field, description in schema["properties"].items():
            named = [description, description.get("items", {}), *description.get("anyOf", [])]
            assert "examples" in description or any("$ref" in one for one in named), f"{name}.{field}"
