"""What the routes stand on: ledger, object store, broker, and the thread that keeps the queue moving."""

from __future__ import annotations

import logging
import time
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, cast

from fastapi import Depends, Request

from service.measures import Measures
from worker.access_key import ENVIRONMENT_KEY
from worker.broker import Broker
from worker.errors import FabProfileError, MaskwrightError, UnavailableError
from worker.fab_profile import read_fab_profile
from worker.housekeeping import Housekeeping
from worker.job import LOCAL_OWNER, Lane
from worker.ledger import Ledger
from worker.ledger.audit import DAY_SECONDS
from worker.ledger.fabs import Edit
from worker.program_revision import program_revision
from worker.retention import policy_of
from worker.service_secret import ServiceSecret, read_service_secret
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
    secret: ServiceSecret
    answers: Answers = field(default_factory=Answers)
    welcomed: set[str] = field(default_factory=set)
    noted_days: set[int] = field(default_factory=set)
    measures: Measures = field(default_factory=Measures)

    def wake(self, lane: Lane) -> None:
        """Tell a worker of a new job, if the broker is there; if not, housekeeping does it later."""
        try:
            self.broker.wake(lane)
        except UnavailableError as error:
            log.warning("no wake-up sent: %s", error)

    def welcome(self, owner: str) -> None:
        """Give an owner that this process has not seen yet the fab profiles that every owner begins with."""
        if owner not in self.welcomed:
            try:
                self.install_fabs(owner)
            except MaskwrightError as error:
                log.warning("fabs of %s not installed yet: %s", owner, error)
            else:
                self.welcomed.add(owner)

    def note_environment_key_use(self) -> None:
        """Put the first use of MASKWRIGHT_KEY on a day into the audit trail."""
        day = int(time.time() // DAY_SECONDS)
        if day not in self.noted_days:
            self.ledger.audit.record_use_of_the_day(owner=LOCAL_OWNER, key=ENVIRONMENT_KEY)
            self.noted_days.add(day)

    def install_fabs(self, owner: str) -> None:
        """Add the fab profiles that ship with the program, where this owner has none of their id."""
        known = {stored.id for stored in self.ledger.fabs.all(owner)}
        for path in sorted(self.environment.fabs_dir.glob("*.toml")):
            try:
                fab = read_fab_profile(path.read_bytes(), file_name=path.name)
            except FabProfileError as error:
                log.error("not installed: %s", error)
                continue
            if fab.id not in known:
                self.ledger.fabs.create(owner, fab.id, fab.revision, fab.toml, Edit(what="installed"))

    def close(self) -> None:
        """Stop and close everything."""
        self.housekeeping.stop()
        self.broker.close()
        self.ledger.close()


def open_backing(environment: Environment) -> Backing:
    """Open every part, bring the tables up to date, install the sample fabs, start housekeeping."""
    ledger = Ledger(
        environment.database,
        lease_seconds=environment.lease_seconds,
        attempts=environment.attempts,
        program=program_revision(),
        pooled=True,
    )
    store = open_store(environment)
    broker = Broker(environment)
    backing = Backing(
        environment=environment,
        ledger=ledger,
        store=store,
        broker=broker,
        housekeeping=Housekeeping(ledger, broker, store=store, retention=policy_of(environment)),
        secret=read_service_secret(environment),
    )
    ledger.migrate()
    backing.measures.begin(ledger)
    backing.install_fabs(LOCAL_OWNER)
    backing.housekeeping.start()
    return backing


def _backing(request: Request) -> Backing:
    return cast(Backing, request.app.state.backing)


Backed = Annotated[Backing, Depends(_backing)]
