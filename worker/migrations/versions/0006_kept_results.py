"""Results are kept by a policy and checked by their hash: when a job's files expired, and its archive's SHA-256."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0006"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("jobs", sql.Column("package_sha256", sql.String(length=64), nullable=True))
    op.add_column("jobs", sql.Column("expired", sql.Double(), nullable=True))
    op.create_index(op.f("ix_jobs_expired_finished"), "jobs", ["expired", "finished"], unique=False)


def downgrade() -> None:
    op.drop_index(op.f("ix_jobs_expired_finished"), table_name="jobs")
    op.drop_column("jobs", "expired")
    op.drop_column("jobs", "package_sha256")
