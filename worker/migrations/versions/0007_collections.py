"""Collections of artworks: each member has a job; jobs are found again by what was asked of them."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0007"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    serial = sql.BigInteger().with_variant(sql.Integer(), "sqlite")
    op.create_table(
        "collections",
        sql.Column("seq", serial, autoincrement=True, nullable=False),
        sql.Column("id", sql.String(length=32), nullable=False),
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("name", sql.String(length=255), nullable=False),
        sql.Column("fab_id", sql.String(length=64), nullable=False),
        sql.Column("fab_revision", sql.String(length=16), nullable=False),
        sql.Column("artworks", sql.Integer(), nullable=False),
        sql.Column("skipped", sql.JSON(), nullable=False),
        sql.Column("fingerprint", sql.String(length=64), nullable=False),
        sql.Column("idempotency_key", sql.String(length=255), nullable=True),
        sql.Column("created", sql.Double(), nullable=False),
        sql.PrimaryKeyConstraint("seq", name=op.f("pk_collections")),
        sql.UniqueConstraint("id", name=op.f("uq_collections_id")),
        sql.UniqueConstraint("owner", "idempotency_key", name=op.f("uq_collections_owner_idempotency_key")),
    )
    op.create_index(op.f("ix_collections_owner_seq"), "collections", ["owner", "seq"], unique=False)
    op.create_table(
        "members",
        sql.Column("collection_id", sql.String(length=32), nullable=False),
        sql.Column("position", sql.Integer(), nullable=False),
        sql.Column("path", sql.String(length=400), nullable=False),
        sql.Column("job_id", sql.String(length=32), nullable=True),
        sql.Column("reused", sql.Boolean(), nullable=False),
        sql.Column("error_code", sql.String(length=64), nullable=True),
        sql.Column("error_what", sql.Text(), nullable=True),
        sql.Column("error_mend", sql.Text(), nullable=True),
        sql.ForeignKeyConstraint(["collection_id"], ["collections.id"], name=op.f("fk_members_collection_id")),
        sql.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_members_job_id")),
        sql.PrimaryKeyConstraint("collection_id", "position", name=op.f("pk_members")),
    )
    op.create_index(op.f("ix_members_job_id"), "members", ["job_id"], unique=False)
    op.create_index(op.f("ix_jobs_owner_fingerprint"), "jobs", ["owner", "fingerprint"], unique=False)


def downgrade() -> None:
    op.drop_index(op.f("ix_jobs_owner_fingerprint"), table_name="jobs")
    op.drop_index(op.f("ix_members_job_id"), table_name="members")
    op.drop_table("members")
    op.drop_index(op.f("ix_collections_owner_seq"), table_name="collections")
    op.drop_table("collections")
