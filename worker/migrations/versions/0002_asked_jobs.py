"""Jobs that a request waits for: further files of a job, and jobs listed by kind."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("jobs", sql.Column("inputs", sql.JSON(none_as_null=True), nullable=True))
    op.create_index(op.f("ix_jobs_owner_kind_seq"), "jobs", ["owner", "kind", "seq"], unique=False)
    op.drop_index(op.f("ix_jobs_owner_seq"), table_name="jobs")


def downgrade() -> None:
    op.create_index(op.f("ix_jobs_owner_seq"), "jobs", ["owner", "seq"], unique=False)
    op.drop_index(op.f("ix_jobs_owner_kind_seq"), table_name="jobs")
    op.drop_column("jobs", "inputs")
