"""The tables. Migrations in worker/migrations make them; a test holds the two together."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sql
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement

metadata = sql.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

_serial = sql.BigInteger().with_variant(sql.Integer(), "sqlite")

jobs = sql.Table(
    "jobs",
    metadata,
    sql.Column("seq", _serial, primary_key=True, autoincrement=True),
    sql.Column("id", sql.String(32), nullable=False, unique=True),
    sql.Column("owner", sql.String(64), nullable=False),
    sql.Column("kind", sql.String(32), nullable=False),
    sql.Column("lane", sql.String(16), nullable=False),
    sql.Column("state", sql.String(16), nullable=False),
    sql.Column("name", sql.String(255), nullable=False),
    sql.Column("artwork", sql.String(64), nullable=False),
    sql.Column("artwork_bytes", sql.BigInteger, nullable=False),
    sql.Column("fab_id", sql.String(64), nullable=False),
    sql.Column("fab_revision", sql.String(16), nullable=False),
    sql.Column("settings", sql.JSON, nullable=False),
    sql.Column("inputs", sql.JSON(none_as_null=True)),
    sql.Column("fingerprint", sql.String(64), nullable=False),
    sql.Column("idempotency_key", sql.String(255)),
    sql.Column("turn", sql.BigInteger, nullable=False),
    sql.Column("held", sql.SmallInteger, nullable=False, server_default="0"),
    sql.Column("attempt", sql.Integer, nullable=False),
    sql.Column("token", sql.String(32)),
    sql.Column("task_id", sql.String(64)),
    sql.Column("beats", sql.BigInteger, nullable=False, server_default="0"),
    sql.Column("created", sql.Double, nullable=False),
    sql.Column("queued", sql.Double, nullable=False),
    sql.Column("started", sql.Double),
    sql.Column("finished", sql.Double),
    sql.Column("stage", sql.String(32)),
    sql.Column("stage_done", sql.Integer),
    sql.Column("stage_of", sql.Integer),
    sql.Column("error_code", sql.String(64)),
    sql.Column("error_what", sql.Text),
    sql.Column("error_mend", sql.Text),
    sql.Column("error_setting", sql.String(64)),
    sql.Column("summary", sql.JSON(none_as_null=True)),
    sql.Column("package_key", sql.String(512)),
    sql.Column("package_bytes", sql.BigInteger),
    sql.Column("package_sha256", sql.String(64)),
    sql.Column("program", sql.String(16)),
    sql.Column("expired", sql.Double),
    sql.Column("version", sql.Integer, nullable=False),
    sql.UniqueConstraint("owner", "idempotency_key"),
    sql.ForeignKeyConstraint(
        ["owner", "fab_id", "fab_revision"],
        ["fab_revisions.owner", "fab_revisions.id", "fab_revisions.revision"],
        name="fk_jobs_fab_revision",
    ),
    sql.Index(None, "lane", "state", "turn", "seq"),
    sql.Index(None, "owner", "kind", "seq"),
    sql.Index(None, "owner", "kind", "state", "finished"),
    sql.Index(None, "lane", "finished"),
    sql.Index(None, "task_id"),
    sql.Index(None, "artwork"),
    sql.Index(None, "expired", "finished"),
    sql.Index(None, "owner", "fingerprint"),
    sql.Index(None, "held", "state"),
)
"""`turn` is the fair queue's virtual time: the smallest of a lane is next. `held` is HELD for a job that waits for
others, and LET_GO once they have ended. `token` fences what a worker may write, and `beats` counts its signs of life.
`program` is the revision of the program that made its result. `expired` is when its files were given up, by the policy
of worker/retention.py; the row itself stays.
"""

files = sql.Table(
    "files",
    metadata,
    sql.Column("job_id", sql.String(32), sql.ForeignKey("jobs.id"), primary_key=True),
    sql.Column("path", sql.String(255), primary_key=True),
    sql.Column("owner", sql.String(64), nullable=False),
    sql.Column("position", sql.Integer, nullable=False),
    sql.Column("start", sql.BigInteger, nullable=False),
    sql.Column("bytes", sql.BigInteger, nullable=False),
    sql.Column("sha256", sql.String(64), nullable=False),
    sql.Column("media_type", sql.String(64), nullable=False),
)

FREE, HELD, LET_GO = 0, 1, 2

needs = sql.Table(
    "needs",
    metadata,
    sql.Column("job_id", sql.String(32), sql.ForeignKey("jobs.id"), primary_key=True),
    sql.Column("needed_id", sql.String(32), sql.ForeignKey("jobs.id"), primary_key=True),
    sql.Index(None, "needed_id"),
)
"""Which jobs a job waits for, and whose files it then gets."""

collections = sql.Table(
    "collections",
    metadata,
    sql.Column("seq", _serial, primary_key=True, autoincrement=True),
    sql.Column("id", sql.String(32), nullable=False, unique=True),
    sql.Column("owner", sql.String(64), nullable=False),
    sql.Column("name", sql.String(255), nullable=False),
    sql.Column("fab_id", sql.String(64), nullable=False),
    sql.Column("fab_revision", sql.String(16), nullable=False),
    sql.Column("artworks", sql.Integer, nullable=False),
    sql.Column("skipped", sql.JSON, nullable=False),
    sql.Column("fingerprint", sql.String(64), nullable=False),
    sql.Column("idempotency_key", sql.String(255)),
    sql.Column("created", sql.Double, nullable=False),
    sql.UniqueConstraint("owner", "idempotency_key"),
    sql.Index(None, "owner", "seq"),
)
"""Collections of artworks. `artworks` is how many members there are, `skipped` the paths of files that are none."""

members = sql.Table(
    "members",
    metadata,
    sql.Column("collection_id", sql.String(32), sql.ForeignKey("collections.id"), primary_key=True),
    sql.Column("position", sql.Integer, primary_key=True),
    sql.Column("path", sql.String(400), nullable=False),
    sql.Column("job_id", sql.String(32), sql.ForeignKey("jobs.id")),
    sql.Column("reused", sql.Boolean, nullable=False),
    sql.Column("error_code", sql.String(64)),
    sql.Column("error_what", sql.Text),
    sql.Column("error_mend", sql.Text),
    sql.Column("error_setting", sql.String(64)),
    sql.Index(None, "job_id"),
)
"""A collection's artworks: each has a job, which may be an earlier collection's (`reused`), or what it was refused for.
"""

turns = sql.Table(
    "turns",
    metadata,
    sql.Column("lane", sql.String(16), primary_key=True),
    sql.Column("owner", sql.String(64), primary_key=True),
    sql.Column("turn", sql.BigInteger, nullable=False),
)
"""Last turn given to each owner of a lane; owner CLOCK holds the lane's clock, the turn claimed last."""

CLOCK = ""
"""The owner under which a lane's clock stands in `turns`."""

fabs = sql.Table(
    "fabs",
    metadata,
    sql.Column("owner", sql.String(64), primary_key=True),
    sql.Column("id", sql.String(64), primary_key=True),
    sql.Column("revision", sql.String(16), nullable=False),
    sql.Column("updated", sql.Double, nullable=False),
)

fab_revisions = sql.Table(
    "fab_revisions",
    metadata,
    sql.Column("owner", sql.String(64), primary_key=True),
    sql.Column("id", sql.String(64), primary_key=True),
    sql.Column("revision", sql.String(16), primary_key=True),
    sql.Column("toml", sql.LargeBinary, nullable=False),
    sql.Column("created", sql.Double, nullable=False),
)
"""Every revision that ever was current; never changed and never deleted, for jobs refer to them."""

fab_events = sql.Table(
    "fab_events",
    metadata,
    sql.Column("seq", _serial, primary_key=True, autoincrement=True),
    sql.Column("owner", sql.String(64), nullable=False),
    sql.Column("id", sql.String(64), nullable=False),
    sql.Column("revision", sql.String(16), nullable=False),
    sql.Column("previous", sql.String(16)),
    sql.Column("what", sql.String(255), nullable=False),
    sql.Column("by", sql.String(100), nullable=False),
    sql.Column("at", sql.Double, nullable=False),
    sql.Index(None, "owner", "id", "seq"),
)
"""Each time that a revision became current: which, in place of which, what was done, by whom, when."""

api_keys = sql.Table(
    "api_keys",
    metadata,
    sql.Column("id", sql.String(16), primary_key=True),
    sql.Column("owner", sql.String(64), nullable=False),
    sql.Column("scopes", sql.String(64), nullable=False),
    sql.Column("name", sql.String(100), nullable=False),
    sql.Column("digest", sql.String(64), nullable=False),
    sql.Column("secret_id", sql.String(16), nullable=False),
    sql.Column("made", sql.Double, nullable=False),
    sql.Column("expires", sql.Double),
    sql.Column("used", sql.Double),
    sql.Column("revoked", sql.Double),
)
"""Access keys. `digest` is an HMAC of the key under the service's secret, `secret_id` says under which one."""

audit_events = sql.Table(
    "audit_events",
    metadata,
    sql.Column("seq", _serial, primary_key=True, autoincrement=True),
    sql.Column("at", sql.Double, nullable=False),
    sql.Column("owner", sql.String(64), nullable=False),
    sql.Column("key", sql.String(16), nullable=False),
    sql.Column("what", sql.String(32), nullable=False),
    sql.Column("subject", sql.String(64), nullable=False),
    sql.Column("detail", sql.String(255), nullable=False),
    sql.Column("by", sql.String(100), nullable=False),
    sql.Index(None, "owner", "seq"),
    sql.Index(None, "what", "subject", "at"),
)
"""What an admin may want to know later: of fabs, keys and links, never of artworks."""

link_revocations = sql.Table(
    "link_revocations",
    metadata,
    sql.Column("owner", sql.String(64), primary_key=True),
    sql.Column("job_id", sql.String(32), primary_key=True),
    sql.Column("times", sql.Integer, nullable=False),
)
"""How often an owner's links were revoked: all of them (job "") or those of a job. None yet: no row."""


class now(FunctionElement[float]):
    """The database's own clock in seconds since 1970. It may jump: times are shown to people, and decide no lease."""

    type = sql.Double()
    inherit_cache = True


@compiles(now, "sqlite")
def _now_sqlite(element: now, compiler: Any, **kw: Any) -> str:
    return "((julianday('now') - 2440587.5) * 86400.0)"


@compiles(now, "postgresql")
def _now_postgresql(element: now, compiler: Any, **kw: Any) -> str:
    return "extract(epoch from clock_timestamp())::double precision"
