"""How long results are kept: as long as whoever runs the service says, in days and in bytes; for ever by default.

A result that is given up keeps its job's row, which says so; the artwork goes when no job needs it any more. Queued and
running jobs, what they read, and the results of the last hour are never touched.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import dataclass

from worker.ledger import Ledger
from worker.settings import Environment
from worker.storage import ObjectStore

DAY_SECONDS = 86400.0
AT_LEAST_SECONDS = 3600.0
"""Whoever asked for a result has so long to fetch it, however large it is."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Retention:
    """The policy: results at most so old, and at most so many bytes of them all; None is no limit."""

    seconds: float | None
    bytes: int | None

    def apply(self, ledger: Ledger, store: ObjectStore) -> int:
        """Give up what is over the limits and remove its files; how many results that were."""
        given_up = 0
        for keys in self._batches(ledger):
            for key in keys:
                if key is not None:
                    store.delete(key)  # what a crash leaves here, the sweep finds: no job owns it any more
                    given_up += 1
        if given_up:
            log.info("%d results were given up by the policy", given_up)
        return given_up

    def _batches(self, ledger: Ledger) -> Iterator[list[str | None]]:
        if self.seconds is not None:
            while keys := ledger.expiry.by_age(max(self.seconds, AT_LEAST_SECONDS)):
                yield keys
        if self.bytes is not None:
            while keys := ledger.expiry.by_bytes(self.bytes, at_least_seconds=AT_LEAST_SECONDS):
                yield keys


KEEP_ALL = Retention(seconds=None, bytes=None)


def policy_of(environment: Environment) -> Retention:
    """The policy that the environment sets."""
    return Retention(
        seconds=environment.result_days * DAY_SECONDS or None,
        bytes=environment.result_bytes or None,
    )
