"""OpenTelemetry traces, where OTEL_EXPORTER_OTLP_ENDPOINT says whom to send them to; nothing of it is loaded otherwise.

A job's trace has the job's own id, 32 hexadecimal digits either way: who has one has the other, and nothing has to be
carried through the queue. A span holds ids, kinds, states and times, never a name or a setting.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from worker.errors import SettingsError
from worker.job import Job
from worker.settings import Environment

if TYPE_CHECKING:
    from opentelemetry.sdk.trace import TracerProvider

NAME = "maskwright"


class Tracing:
    """Sends the spans of one process."""

    def __init__(self, provider: TracerProvider) -> None:
        self.provider = provider
        self.tracer = provider.get_tracer(NAME)

    def job(self, job: Job, state: str, cause: str, stages: Sequence[tuple[str, int, int]], began_ns: int) -> None:
        """A span for one attempt of a job that ends now, and one below it for each stage."""
        from opentelemetry import trace

        above = trace.SpanContext(
            trace_id=int(job.id, 16),
            span_id=int(job.id[:16], 16) or 1,
            is_remote=True,
            trace_flags=trace.TraceFlags(trace.TraceFlags.SAMPLED),
        )
        told: dict[str, Any] = {
            "maskwright.job": job.id,
            "maskwright.kind": job.kind,
            "maskwright.lane": job.lane,
            "maskwright.attempt": job.attempt,
            "maskwright.state": state,
            "maskwright.waited_seconds": max(0.0, (job.started or job.created) - job.created),
        }
        if cause:
            told["error.type"] = cause
        around = trace.set_span_in_context(trace.NonRecordingSpan(above))
        span = self.tracer.start_span(f"job {job.kind}", around, attributes=told, start_time=began_ns)
        below = trace.set_span_in_context(span)
        for stage, begin, end in stages:
            self.tracer.start_span(f"stage {stage}", below, start_time=begin).end(end)
        if cause:
            span.set_status(trace.StatusCode.ERROR)
        span.end(time.time_ns())

    def request(self, method: str, route: str, status: int, job_id: str, began_ns: int) -> None:
        """A span for an answered request; `route` is its pattern, so that no id of an owner's stands in it."""
        from opentelemetry import trace

        told: dict[str, Any] = {"http.request.method": method, "http.route": route, "http.response.status_code": status}
        if job_id:
            told["maskwright.job"] = job_id
        span = self.tracer.start_span(
            f"{method} {route}", attributes=told, start_time=began_ns, kind=trace.SpanKind.SERVER
        )
        if status >= 500:
            span.set_status(trace.StatusCode.ERROR)
        span.end(time.time_ns())

    def close(self) -> None:
        """Send what is left."""
        self.provider.shutdown()


def open_tracing(environment: Environment, part: str) -> Tracing | None:
    """What sends this process's spans, or None where no address is set. Call it after a fork: it has a thread.

    Raises SettingsError where the libraries are not installed.
    """
    if not environment.traces_url:
        return None
    try:
        from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
        from opentelemetry.sdk.resources import Resource
        from opentelemetry.sdk.trace import TracerProvider
        from opentelemetry.sdk.trace.export import BatchSpanProcessor
    except ImportError as error:
        raise SettingsError(
            f"OTEL_EXPORTER_OTLP_ENDPOINT is set, and {error.name} is not installed.",
            mend="Install it with: pip install 'maskwright[tracing]'; or leave the variable empty.",
        ) from error
    exporter = OTLPSpanExporter(endpoint=f"{environment.traces_url.rstrip('/')}/v1/traces", timeout=5)
    provider = TracerProvider(resource=Resource.create({"service.name": NAME, "service.instance.id": part}))
    provider.add_span_processor(BatchSpanProcessor(exporter, schedule_delay_millis=1000))
    return Tracing(provider)
