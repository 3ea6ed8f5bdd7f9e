"""What the routes stand on: ledger, object store, broker, and the thread that keeps the queue moving."""

from __future__ import annotations

import logging
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, cast

from fastapi import Depends, Request

from worker.broker import Broker
from worker.errors import FabProfileError, UnavailableError
from worker.fab_profile import read_fab_profile
from worker.housekeeping import Housekeeping
from worker.job import LOCAL_OWNER, Lane
from worker.ledger import Ledger
from worker.ledger.fabs import Edit
from worker.retention import policy_of
from worker.settings import Environment
from worker.storage import ObjectStore, open_store

log = logging.getLogger(__name__)


KEPT_ANSWERS = 256


@dataclass(frozen=True, slots=True)
class Answers:
    """Answers of questions that can't change, since they are about a revision: the last KEPT_ANSWERS, in memory."""

    kept: OrderedDict[str, Mapping[str, Any]] = field(default_factory=OrderedDict)

    def get(self, fingerprint: str) -> Mapping[str, Any] | None:
        """The answer of a question, if it is still known."""
        if fingerprint in self.kept:
            self.kept.move_to_end(fingerprint)
        return self.kept.get(fingerprint)

    def keep(self, fingerprint: str, answer: Mapping[str, Any]) -> None:
        """Remember an answer."""
        self.kept[fingerprint] = answer
        while len(self.kept) > KEPT_ANSWERS:
            self.kept.popitem(last=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Backing:
    """The parts that every route may use."""

    environment: Environment
    ledger: Ledger
    store: ObjectStore
    broker: Broker
    housekeeping: Housekeeping
    answers: Answers = field(default_factory=Answers)

    def wake(self, lane: Lane) -> None:
        """Tell a worker of a new job, if the broker is there; if not, housekeeping does it later."""
        try:
            self.broker.wake(lane)
        except UnavailableError as error:
            log.warning("no wake-up sent: %s", error)

    def install_fabs(self) -> None:
        """Add the fab profiles that ship with the program, where this owner has none of their id."""
        for path in sorted(self.environment.fabs_dir.glob("*.toml")):
            try:
                fab = read_fab_profile(path.read_bytes(), file_name=path.name)
            except FabProfileError as error:
                log.error("not installed: %s", error)
                continue
            self.ledger.fabs.create(LOCAL_OWNER, fab.id, fab.revision, fab.toml, Edit(what="installed"))

    def close(self) -> None:
        """Stop and close everything."""
        self.housekeeping.stop()
        self.broker.close()
        self.ledger.close()


def open_backing(environment: Environment) -> Backing:
    """Open every part, bring the tables up to date, install the sample fabs, start housekeeping."""
    ledger = Ledger(
        environment.database, lease_seconds=environment.lease_seconds, attempts=environment.attempts, pooled=True
    )
    store = open_store(environment)
    broker = Broker(environment)
    backing = Backing(
        environment=environment,
        ledger=ledger,
        store=store,
        broker=broker,
        housekeeping=Housekeeping(ledger, broker, store=store, retention=policy_of(environment)),
    )
    ledger.migrate()
    backing.install_fabs()
    backing.housekeeping.start()
    return backing


def _backing(request: Request) -> Backing:
    return cast(Backing, request.app.state.backing)


def _owner(request: Request) -> str:
    return cast(str, request.state.owner)


Backed = Annotated[Backing, Depends(_backing)]
Owner = Annotated[str, Depends(_owner)]
