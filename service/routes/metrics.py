"""The service's figures, for Prometheus to collect."""

from __future__ import annotations

from fastapi import APIRouter, Response
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4

from service.answers import problems
from service.backing import Backed
from service.callers import Admin

router = APIRouter(tags=["health"])


@router.get(
    "/metrics",
    summary="Get the service's figures",
    response_class=Response,
    responses={
        200: {
            "description": "Queues, ages, stage times and failures in Prometheus' text format",
            "content": {"text/plain": {"schema": {"type": "string"}, "example": "maskwright_jobs_waiting 0.0\n"}},
        },
        **problems(),
    },
)
def metrics(backing: Backed, caller: Admin) -> Response:
    """Figures of all owners' jobs together: they take a key with the scope admin, wherever a key is asked for."""
    told = backing.measures.told(backing.ledger, backing.environment)
    return Response(told, headers={"Content-Type": CONTENT_TYPE_PLAIN_0_0_4, "Cache-Control": "no-store"})
