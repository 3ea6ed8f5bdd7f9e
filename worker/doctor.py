"""Looks at an installation, changes nothing, and says what to mend."""

from __future__ import annotations

import os
import platform
import shutil
import socket
import sqlite3
import stat
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Literal

import redis
import sqlalchemy as sql

from worker.broker import Broker
from worker.embedded import broker_program
from worker.errors import MaskwrightError
from worker.ledger.database import Database, known_tables, newest_tables
from worker.ledger.keys import usable_key_exists
from worker.ledger.tables import now
from worker.loopback import refuse_open_address
from worker.settings import PROJECT, Environment, processor_cores
from worker.storage import FolderStore, open_store

State = Literal["good", "note", "wrong"]

LEAST_FREE_BYTES = 1 << 30
CLOCK_SECONDS = 2.0
YEAR_BEGUN = 1767225600.0
"""2026-01-01T00:00:00Z: no clock of a machine that runs this is before it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What was looked at, what was found, and what to do where it is wrong. A note keeps nothing from working."""

    part: str
    state: State
    what: str
    mend: str = ""


def examine(environment: Environment) -> Iterator[Finding]:
    """Every finding, one after the other. A part that can't be looked at is a finding too."""
    for part, look in PARTS.items():
        try:
            yield from look(environment)
        except MaskwrightError as error:
            yield Finding(part=part, state="wrong", what=error.what, mend=error.mend)
        except OSError as error:
            mend = "See to its owner and rights, and to the disk."
            yield Finding(part=part, state="wrong", what=f"{error.filename}: {error.strerror}.", mend=mend)


def _program(environment: Environment) -> Iterator[Finding]:
    python = platform.python_version()
    missing = []
    for requirement in requires("maskwright") or ():
        name = requirement.partition(";")[0].rstrip()
        if "extra ==" in requirement or ('sys_platform != "win32"' in requirement and sys.platform == "win32"):
            continue
        name = name[: next((at for at, letter in enumerate(name) if letter in "<>=!~[ ("), len(name))]
        try:
            version(name)
        except PackageNotFoundError:
            missing.append(name)
    if missing:
        what = f"Not installed: {', '.join(missing)}."
        yield Finding(part="program", state="wrong", what=what, mend="Run make setup.")
    else:
        what = f"Maskwright {version('maskwright')} on Python {python}, with all that it needs."
        yield Finding(part="program", state="good", what=what)


def _loops(environment: Environment) -> Iterator[Finding]:
    kept = list((PROJECT / "worker" / "engine").rglob("__pycache__/*.nbi"))
    if kept:
        yield Finding(part="compiled loops", state="good", what=f"{len(kept)} are kept beside the engine.")
        return
    writable = os.access(PROJECT / "worker" / "engine", os.W_OK)
    mend = "Run python -m worker.warm_up once" + ("." if writable else ", as a user who may write there.")
    yield Finding(part="compiled loops", state="note", what="None: the first artworks wait for a minute.", mend=mend)


def _folder(environment: Environment) -> Iterator[Finding]:
    data = environment.data_dir.absolute()
    if not data.exists():
        above = next(parent for parent in data.parents if parent.exists())
        if not os.access(above, os.W_OK | os.X_OK):
            what, mend = (
                f"{data} can't be made: {above} can't be written.",
                "Set MASKWRIGHT_DATA_DIR, or see to its rights.",
            )
            yield Finding(part="data directory", state="wrong", what=what, mend=mend)
            return
        yield Finding(part="data directory", state="note", what=f"{data} is not there yet.", mend="serve makes it.")
    elif not data.is_dir() or not os.access(data, os.R_OK | os.W_OK | os.X_OK):
        what = f"{data} is no folder that this user may write."
        yield Finding(part="data directory", state="wrong", what=what, mend="See to its owner and rights.")
        return
    else:
        foreign = _first_foreign(data)
        if foreign is not None:
            what = f"{foreign} belongs to another user."
            mend = f"Run as one user always; chown -R the folder to the one that serves: {data}."
            yield Finding(part="data directory", state="wrong", what=what, mend=mend)
        elif stat.S_IMODE(data.stat().st_mode) & 0o077:
            what = f"Other users of this machine may look into {data}, which holds artworks and keys."
            yield Finding(part="data directory", state="wrong", what=what, mend=f"chmod 700 {data}")
        else:
            yield Finding(part="data directory", state="good", what=f"{data}, for its owner alone.")
    place = next(path for path in (data, *data.parents) if path.exists())
    free = shutil.disk_usage(place).free
    state: State = "good" if free >= LEAST_FREE_BYTES else "wrong"
    mend = "" if state == "good" else "Free some space; MASKWRIGHT_RESULT_DAYS and _RESULT_BYTES let old results go."
    yield Finding(part="disk", state=state, what=f"{free / 1e9:.1f} GB free.", mend=mend)


def _first_foreign(data: Path) -> Path | None:
    """Something in the folder that belongs to somebody else; a few levels are enough to tell."""
    mine = os.getuid()
    for path in (data, *data.iterdir(), *(below for top in ("store", "broker") for below in (data / top).glob("*"))):
        if not path.is_symlink() and path.stat().st_uid != mine:
            return path
    return None


def _database(environment: Environment) -> Iterator[Finding]:
    if not environment.database_url and not (environment.data_dir / "ledger.sqlite").exists():
        yield Finding(part="database", state="note", what="None yet.", mend="serve makes it.")
        return
    database = Database(environment.database, pooled=False)
    kind = "SQLite" if database.is_sqlite else "PostgreSQL"
    try:
        tables = database.tables()
        with database.reading() as connection:
            told = float(connection.execute(sql.select(now())).scalar_one())
    except (sql.exc.DBAPIError, sqlite3.Error) as error:
        mend = "Restore a backup."
        yield Finding(part="database", state="wrong", what=f"{kind} can't read it: {error.args[0]}.", mend=mend)
        return
    finally:
        database.close()
    if tables is None:
        yield Finding(part="database", state="note", what=f"{kind} answers; no tables yet.", mend="serve makes them.")
    elif tables not in known_tables():
        mend = "Run the newer version of Maskwright that this database has seen, or restore an older backup."
        yield Finding(part="database", state="wrong", what=f"Its tables are of a later version ({tables}).", mend=mend)
    elif tables != newest_tables():
        what = f"{kind} answers; its tables are of an earlier version ({tables}, newest {newest_tables()})."
        yield Finding(part="database", state="note", what=what, mend="They are brought up to date at the next start.")
    else:
        yield Finding(part="database", state="good", what=f"{kind} answers; its tables are the newest ({tables}).")
    yield from _clock("the database", told)


def _clock(whose: str, told: float) -> Iterator[Finding]:
    apart = abs(time.time() - told)
    if apart > CLOCK_SECONDS:
        what = f"This machine and {whose} are {apart:.0f} s apart."
        yield Finding(part="clock", state="wrong", what=what, mend="Set both by a time service (NTP).")


def _time(environment: Environment) -> Iterator[Finding]:
    if time.time() < YEAR_BEGUN:
        what = f"It says {time.strftime('%Y-%m-%d', time.gmtime(time.time()))}."
        yield Finding(part="clock", state="wrong", what=what, mend="Set it, best by a time service (NTP).")
    else:
        yield Finding(part="clock", state="good", what=time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(time.time())))


def _broker(environment: Environment) -> Iterator[Finding]:
    if not environment.redis_url:
        broker_program()
        running = environment.data_dir.absolute() / "broker.sock"
        if not running.exists():
            what = "The embedded Valkey is here; it starts with the service."
            yield Finding(part="broker", state="good", what=what)
            return
    broker = Broker(environment)
    try:
        broker.check()
        seconds, micros = broker.redis.time()
    except redis.RedisError as error:
        yield Finding(part="broker", state="wrong", what=f"It does not tell its time: {error}.", mend="See REDIS_URL.")
        return
    finally:
        broker.close()
    yield Finding(part="broker", state="good", what="It answers.")
    yield from _clock("the broker", seconds + micros / 1e6)


def _store(environment: Environment) -> Iterator[Finding]:
    if not environment.store_url and not (environment.data_dir / "store").exists():
        yield Finding(part="store", state="note", what="None yet.", mend="serve makes it.")
        return
    store = open_store(environment)
    store.check()
    kind = "folder" if isinstance(store, FolderStore) else "bucket"
    yield Finding(part="store", state="good", what=f"The {kind} answers.")


def _address(environment: Environment) -> Iterator[Finding]:
    keyed = environment.has_key
    if not keyed and (environment.database_url or (environment.data_dir / "ledger.sqlite").exists()):
        keyed = usable_key_exists(environment.database)
    refuse_open_address(environment.host, keyed=keyed)
    yield Finding(part="address", state="good", what=f"{environment.host} port {environment.port}.")
    dotenv = Path(".env")
    if dotenv.is_file() and stat.S_IMODE(dotenv.stat().st_mode) & 0o077:
        what = "Other users of this machine may read .env, which may hold keys."
        yield Finding(part="address", state="wrong", what=what, mend="chmod 600 .env")


def _workers(environment: Environment) -> Iterator[Finding]:
    pages, size = os.sysconf("SC_PHYS_PAGES"), os.sysconf("SC_PAGE_SIZE")
    have = pages * size / 1e6
    processes = environment.batch_workers + environment.interactive_workers
    what = f"{processes} processes of {environment.threads_per_job} threads; {have / 1e3:.1f} GB of memory."
    if environment.batch_workers > processor_cores():
        mend = f"MASKWRIGHT_BATCH_WORKERS={processor_cores()} is as quick and needs less memory."
        yield Finding(part="workers", state="note", what=what, mend=mend)
    elif have < 1000.0 * processes:
        mend = "Set MASKWRIGHT_JOB_MEMORY_MB and fewer workers, lest the machine run out."
        yield Finding(part="workers", state="note", what=what, mend=mend)
    else:
        yield Finding(part="workers", state="good", what=what)


def _optional(environment: Environment) -> Iterator[Finding]:
    if shutil.which("gerbv") is None:
        mend = "Only the developers' tests need it: apt-get install gerbv."
        yield Finding(part="gerbv", state="note", what="Not installed.", mend=mend)
    else:
        yield Finding(part="gerbv", state="good", what="Installed.")
    if environment.traces_url:
        from worker.tracing import open_tracing

        tracing = open_tracing(environment, f"doctor on {socket.gethostname()}")
        if tracing is not None:
            tracing.close()
        yield Finding(part="traces", state="good", what=f"They go to {environment.traces_url}.")


PARTS: dict[str, Callable[[Environment], Iterator[Finding]]] = {
    "program": _program,
    "compiled loops": _loops,
    "workers": _workers,
    "address": _address,
    "data directory": _folder,
    "clock": _time,
    "database": _database,
    "broker": _broker,
    "store": _store,
    "optional": _optional,
}
