"""Jobs, files, fabs with every revision, turns of the fair queue."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "fab_revisions",
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("id", sql.String(length=64), nullable=False),
        sql.Column("revision", sql.String(length=16), nullable=False),
        sql.Column("toml", sql.LargeBinary(), nullable=False),
        sql.Column("created", sql.Double(), nullable=False),
        sql.PrimaryKeyConstraint("owner", "id", "revision", name=op.f("pk_fab_revisions")),
    )
    op.create_table(
        "fabs",
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("id", sql.String(length=64), nullable=False),
        sql.Column("revision", sql.String(length=16), nullable=False),
        sql.Column("updated", sql.Double(), nullable=False),
        sql.PrimaryKeyConstraint("owner", "id", name=op.f("pk_fabs")),
    )
    op.create_table(
        "turns",
        sql.Column("lane", sql.String(length=16), nullable=False),
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("turn", sql.BigInteger(), nullable=False),
        sql.PrimaryKeyConstraint("lane", "owner", name=op.f("pk_turns")),
    )
    op.create_table(
        "jobs",
        sql.Column("seq", sql.BigInteger().with_variant(sql.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sql.Column("id", sql.String(length=32), nullable=False),
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("kind", sql.String(length=32), nullable=False),
        sql.Column("lane", sql.String(length=16), nullable=False),
        sql.Column("state", sql.String(length=16), nullable=False),
        sql.Column("name", sql.String(length=255), nullable=False),
        sql.Column("artwork", sql.String(length=64), nullable=False),
        sql.Column("artwork_bytes", sql.BigInteger(), nullable=False),
        sql.Column("fab_id", sql.String(length=64), nullable=False),
        sql.Column("fab_revision", sql.String(length=16), nullable=False),
        sql.Column("settings", sql.JSON(), nullable=False),
        sql.Column("fingerprint", sql.String(length=64), nullable=False),
        sql.Column("idempotency_key", sql.String(length=255), nullable=True),
        sql.Column("turn", sql.BigInteger(), nullable=False),
        sql.Column("attempt", sql.Integer(), nullable=False),
        sql.Column("token", sql.String(length=32), nullable=True),
        sql.Column("task_id", sql.String(length=64), nullable=True),
        sql.Column("lease_until", sql.Double(), nullable=True),
        sql.Column("created", sql.Double(), nullable=False),
        sql.Column("queued", sql.Double(), nullable=False),
        sql.Column("started", sql.Double(), nullable=True),
        sql.Column("finished", sql.Double(), nullable=True),
        sql.Column("stage", sql.String(length=32), nullable=True),
        sql.Column("stage_done", sql.Integer(), nullable=True),
        sql.Column("stage_of", sql.Integer(), nullable=True),
        sql.Column("error_code", sql.String(length=64), nullable=True),
        sql.Column("error_what", sql.Text(), nullable=True),
        sql.Column("error_mend", sql.Text(), nullable=True),
        sql.Column("summary", sql.JSON(none_as_null=True), nullable=True),
        sql.Column("package_key", sql.String(length=512), nullable=True),
        sql.Column("package_bytes", sql.BigInteger(), nullable=True),
        sql.Column("version", sql.Integer(), nullable=False),
        sql.ForeignKeyConstraint(
            ["owner", "fab_id", "fab_revision"],
            ["fab_revisions.owner", "fab_revisions.id", "fab_revisions.revision"],
            name="fk_jobs_fab_revision",
        ),
        sql.PrimaryKeyConstraint("seq", name=op.f("pk_jobs")),
        sql.UniqueConstraint("id", name=op.f("uq_jobs_id")),
        sql.UniqueConstraint("owner", "idempotency_key", name=op.f("uq_jobs_owner_idempotency_key")),
    )
    op.create_index(op.f("ix_jobs_artwork"), "jobs", ["artwork"], unique=False)
    op.create_index(op.f("ix_jobs_lane_finished"), "jobs", ["lane", "finished"], unique=False)
    op.create_index(op.f("ix_jobs_lane_state_turn_seq"), "jobs", ["lane", "state", "turn", "seq"], unique=False)
    op.create_index(op.f("ix_jobs_owner_seq"), "jobs", ["owner", "seq"], unique=False)
    op.create_index(op.f("ix_jobs_state_lease_until"), "jobs", ["state", "lease_until"], unique=False)
    op.create_index(op.f("ix_jobs_task_id"), "jobs", ["task_id"], unique=False)
    op.create_table(
        "files",
        sql.Column("job_id", sql.String(length=32), nullable=False),
        sql.Column("path", sql.String(length=255), nullable=False),
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("position", sql.Integer(), nullable=False),
        sql.Column("start", sql.BigInteger(), nullable=False),
        sql.Column("bytes", sql.BigInteger(), nullable=False),
        sql.Column("sha256", sql.String(length=64), nullable=False),
        sql.Column("media_type", sql.String(length=64), nullable=False),
        sql.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_files_job_id")),
        sql.PrimaryKeyConstraint("job_id", "path", name=op.f("pk_files")),
    )


def downgrade() -> None:
    op.drop_table("files")
    op.drop_index(op.f("ix_jobs_task_id"), table_name="jobs")
    op.drop_index(op.f("ix_jobs_state_lease_until"), table_name="jobs")
    op.drop_index(op.f("ix_jobs_owner_seq"), table_name="jobs")
    op.drop_index(op.f("ix_jobs_lane_state_turn_seq"), table_name="jobs")
    op.drop_index(op.f("ix_jobs_lane_finished"), table_name="jobs")
    op.drop_index(op.f("ix_jobs_artwork"), table_name="jobs")
    op.drop_table("jobs")
    op.drop_table("turns")
    op.drop_table("fabs")
    op.drop_table("fab_revisions")
