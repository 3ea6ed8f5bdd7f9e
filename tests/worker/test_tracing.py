"""Traces as a collector gets them: OTLP over HTTP, read by OpenTelemetry's own message definitions."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest

from tests.service.fixtures import post, service
from tests.worker import kinds
from worker.errors import SettingsError
from worker.settings import PROJECT, Environment
from worker.tasks import Bench
from worker.tracing import open_tracing

assert kinds


class Collector(HTTPServer):
    """Keeps every span that is sent to it."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Receiver)
        self.spans: list[Any] = []
        self.bodies = b""

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server_port}"


class Receiver(BaseHTTPRequestHandler):
    server: Collector

    def do_POST(self) -> None:
        assert self.path == "/v1/traces" and not self.headers.get("Content-Encoding")
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.bodies += body
        for resource in ExportTraceServiceRequest.FromString(body).resource_spans:
            for scope in resource.scope_spans:
                self.server.spans += scope.spans
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def collector() -> Iterator[Collector]:
    server = Collector()
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


def told(span: Any) -> dict[str, Any]:
    return {each.key: getattr(each.value, each.value.WhichOneof("value")) for each in span.attributes}


def test_a_request_and_its_job_are_found_by_the_jobs_id(tmp_path: Path, collector: Collector) -> None:
    environment = Environment(data_dir=tmp_path, traces_url=f"{collector.address}/")
    with service(tmp_path, traces_url=collector.address) as client:
        ids = [post(client, b"artwork", name="unreleased.png").json()["id"] for _ in range(2)]
        client.get("/v1/jobs/" + "0" * 32), client.get("/livez")
        backing = client.app.state.backing  # type: ignore[attr-defined]
        with backing.ledger.database.writing() as connection:
            connection.exec_driver_sql(
                "UPDATE jobs SET kind = CASE id WHEN ? THEN 'sleep' ELSE 'faulty' END", (ids[0],)
            )
            connection.exec_driver_sql("""UPDATE jobs SET settings = '{"seconds": 0.2}'""")
        tracing = open_tracing(environment, "worker")
        bench = Bench(ledger=backing.ledger, store=backing.store, tables=tmp_path, threads=1, tracing=tracing)
        began = time.time_ns()
        assert bench.work("batch", "one") and bench.work("batch", "two") and tracing is not None
        tracing.close()
    requests = [span for span in collector.spans if span.name.startswith(("POST", "GET"))]
    assert [told(span).get("maskwright.job") for span in requests] == [*ids, "0" * 32]
    assert [(span.name, told(span)["http.response.status_code"]) for span in requests][1:] == [
        ("POST /v1/jobs", 202), ("GET /v1/jobs/{job_id}", 404),
    ]  # fmt: skip
    done, failed = (next(s for s in collector.spans if s.trace_id.hex() == i and s.name.startswith("job")) for i in ids)
    assert told(done)["maskwright.state"] == "done" and told(done)["maskwright.attempt"] == 1
    assert told(failed)["error.type"] == "internal" and failed.status.code == 2
    stages = [span for span in collector.spans if span.parent_span_id == done.span_id]
    assert [span.name for span in stages] == ["stage separation", "stage files"]
    assert began <= done.start_time_unix_nano <= stages[0].start_time_unix_nano
    assert stages[0].end_time_unix_nano == stages[1].start_time_unix_nano <= stages[1].end_time_unix_nano
    assert stages[0].end_time_unix_nano - stages[0].start_time_unix_nano > 0.1e9
    assert b"unreleased" not in collector.bodies


def test_a_collector_that_is_away_holds_nothing_up(tmp_path: Path) -> None:
    with service(tmp_path, traces_url="http://127.0.0.1:1") as client:
        assert post(client).status_code == 202


def test_without_an_address_nothing_of_it_is_loaded_and_without_its_libraries_it_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert open_tracing(Environment(data_dir=tmp_path), "worker") is None
    code = "import sys, service.app, worker.process\nprint(*sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PROJECT)
    loaded = run.stdout.split()
    assert "worker.tracing" in loaded and not [n for n in loaded if n.startswith("opentelemetry.exporter")]
    monkeypatch.setitem(sys.modules, "opentelemetry.sdk.trace", None)
    with pytest.raises(SettingsError, match=r"maskwright\[tracing\]"):
        open_tracing(Environment(data_dir=tmp_path, traces_url="http://127.0.0.1:1"), "worker")
