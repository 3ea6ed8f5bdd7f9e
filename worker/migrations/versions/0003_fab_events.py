"""The history of fab profiles: every time that a revision became current, with who, what and when."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

BEFORE = "kept before there was a history"


def upgrade() -> None:
    events = op.create_table(
        "fab_events",
        sql.Column("seq", sql.BigInteger().with_variant(sql.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("id", sql.String(length=64), nullable=False),
        sql.Column("revision", sql.String(length=16), nullable=False),
        sql.Column("previous", sql.String(length=16), nullable=True),
        sql.Column("what", sql.String(length=255), nullable=False),
        sql.Column("by", sql.String(length=100), nullable=False),
        sql.Column("at", sql.Double(), nullable=False),
        sql.PrimaryKeyConstraint("seq", name=op.f("pk_fab_events")),
    )
    op.create_index(op.f("ix_fab_events_owner_id_seq"), "fab_events", ["owner", "id", "seq"], unique=False)
    found = op.get_bind().execute(
        sql.text(
            "SELECT r.owner, r.id, r.revision, r.created, f.revision AS current, f.updated FROM fab_revisions r "
            "JOIN fabs f ON f.owner = r.owner AND f.id = r.id ORDER BY r.owner, r.id, r.created"
        )
    )
    rows = []
    for row in found.mappings():
        # One that was current again stands last: then, too, the newest event names the current revision.
        at = row["updated"] if row["revision"] == row["current"] else row["created"]
        rows.append({"owner": row["owner"], "id": row["id"], "revision": row["revision"], "at": at})
    rows.sort(key=lambda row: (row["owner"], row["id"], row["at"]))
    if rows:
        op.bulk_insert(events, [{**row, "previous": None, "what": BEFORE, "by": ""} for row in rows])


def downgrade() -> None:
    op.drop_index(op.f("ix_fab_events_owner_id_seq"), table_name="fab_events")
    op.drop_table("fab_events")
