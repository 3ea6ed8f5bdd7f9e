"""What the queue asks of its parts, as the parts themselves count it: PostgreSQL, Redis, the store, the processor."""

from __future__ import annotations

import os
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from tests.worker.machines import Machines
from tests.worker.rig import tree

EXTENSION = ("shared_preload_libraries=pg_stat_statements", "pg_stat_statements.track_utility=on")
"""Options of a PostgreSQL server whose statements are to be counted."""

TICKS = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Counts:
    """`statements` and `commands` by what they do; bytes and processor seconds by where they are spent."""

    statements: Counter[str] = field(default_factory=Counter)
    commands: Counter[str] = field(default_factory=Counter)
    requests: Counter[str] = field(default_factory=Counter)
    commits: float = 0.0
    sql_bytes: float = 0.0
    wal_bytes: float = 0.0
    redis_bytes: float = 0.0
    seconds: Counter[str] = field(default_factory=Counter)

    def less(self, before: Counts, *, idle: Counts | None = None, times: float = 0.0) -> Counts:
        """What was added since `before`, without what `idle` processes would have asked for, so many `times` over."""

        rest = Counts() if idle is None else idle

        def counted(now: Counter[str], then: Counter[str], off: Counter[str]) -> Counter[str]:
            left: Counter[str] = Counter()
            for name in {*now, *then, *off}:
                left[name] = now[name] - then[name] - times * off[name]  # type: ignore[assignment]
            return left

        return Counts(
            statements=counted(self.statements, before.statements, rest.statements),
            commands=counted(self.commands, before.commands, rest.commands),
            requests=counted(self.requests, before.requests, rest.requests),
            seconds=counted(self.seconds, before.seconds, rest.seconds),
            commits=self.commits - before.commits - times * rest.commits,
            sql_bytes=self.sql_bytes - before.sql_bytes - times * rest.sql_bytes,
            wal_bytes=self.wal_bytes - before.wal_bytes - times * rest.wal_bytes,
            redis_bytes=self.redis_bytes - before.redis_bytes - times * rest.redis_bytes,
        )

    def each(self, number: float) -> Counts:
        """A share of it, such as one job's."""
        nothing = Counts()
        return nothing.less(nothing, idle=self, times=-1.0 / number)


class Counters:
    """Reads the counters of one installation. Its own looks at the database are left out."""

    def __init__(self, rig: Machines) -> None:
        self.rig = rig
        with rig.ledger.database.writing() as connection:
            connection.exec_driver_sql("CREATE EXTENSION IF NOT EXISTS pg_stat_statements")

    def read(self) -> Counts:
        """Everything as it stands now."""
        with self.rig.ledger.database.reading() as connection:
            told = connection.exec_driver_sql(
                "SELECT query, calls FROM pg_stat_statements WHERE query NOT ILIKE '%%pg_stat_%%'"
            ).all()
            commits, wal, size = connection.exec_driver_sql(
                "SELECT (SELECT sum(xact_commit + xact_rollback) FROM pg_stat_database), "
                "pg_current_wal_insert_lsn() - '0/0'::pg_lsn, "
                "pg_total_relation_size('jobs') + pg_total_relation_size('files') + pg_total_relation_size('turns')"
            ).one()
        statements: Counter[str] = Counter()
        for query, calls in told:
            statements[_kind(query)] += calls
        info = self.rig.broker.redis.info("commandstats")
        commands = Counter({name.removeprefix("cmdstat_"): each["calls"] for name, each in info.items()})
        for own in ("info", "config|resetstat"):
            commands.pop(own, None)
        return Counts(
            statements=statements,
            commands=commands,
            requests=self._requests(),
            commits=float(commits),
            sql_bytes=float(size),
            wal_bytes=float(wal),
            redis_bytes=float(self.rig.broker.redis.info("persistence")["aof_current_size"]),
            seconds=self._seconds(),
        )

    def _requests(self) -> Counter[str]:
        """Requests to the store by method, from its server's log."""
        log = Path(self.rig.folder / f"{self.rig.number_of('moto.server')}.log").read_text("utf-8", "replace")
        return Counter(re.findall(r'"(?:\x1b\[\d+m)*(GET|PUT|HEAD|DELETE|POST) /maskwright', log))

    def _seconds(self) -> Counter[str]:
        """Processor seconds of each part, of processes that have ended too where their parent still runs."""
        found = Counter({"PostgreSQL": sum(map(processor_seconds, tree(self.rig.database.server.pid)))})
        names = {"redis-server": "Redis", "moto.server": "store (a stand-in)", "celery": "workers", "service": "HTTP"}
        for process in self.rig.processes:
            name = next(names[word] for word in names if word in process.args)  # type: ignore[operator]
            found[name] += sum(map(processor_seconds, tree(process.pid)))  # type: ignore[assignment]
        return found


def processor_seconds(pid: int) -> float:
    """What a process and its children that have ended have used; 0 where it is gone."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return 0.0
    return sum(map(int, fields[11:15])) / TICKS


def _kind(query: str) -> str:
    """The first words of a statement that tell what it is for."""
    words = query.upper().split()
    verb = words[0].strip(";") if words else "(empty)"
    if verb not in ("SELECT", "INSERT", "UPDATE", "DELETE"):
        return {"START": "BEGIN"}.get(verb, verb)
    table = re.search(r"\b(?:FROM|INTO|UPDATE)\s+(\w+)", query, re.IGNORECASE)
    return f"{verb} {table[1].lower()}" if table else verb
