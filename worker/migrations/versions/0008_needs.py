"""A job may wait for others, and gets their files: of a shared palette, or of the piece before it in a series."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("jobs", sql.Column("held", sql.SmallInteger(), server_default="0", nullable=False))
    op.create_index(op.f("ix_jobs_held_state"), "jobs", ["held", "state"], unique=False)
    op.create_table(
        "needs",
        sql.Column("job_id", sql.String(length=32), nullable=False),
        sql.Column("needed_id", sql.String(length=32), nullable=False),
        sql.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_needs_job_id")),
        sql.ForeignKeyConstraint(["needed_id"], ["jobs.id"], name=op.f("fk_needs_needed_id")),
        sql.PrimaryKeyConstraint("job_id", "needed_id", name=op.f("pk_needs")),
    )
    op.create_index(op.f("ix_needs_needed_id"), "needs", ["needed_id"], unique=False)


def downgrade() -> None:
    op.drop_index(op.f("ix_needs_needed_id"), table_name="needs")
    op.drop_table("needs")
    op.drop_index(op.f("ix_jobs_held_state"), table_name="jobs")
    op.drop_column("jobs", "held")
