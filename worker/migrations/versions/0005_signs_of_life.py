"""Signs of life that are counted, in place of leases that end at a time of day: a clock that jumps ends none."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("jobs", sql.Column("beats", sql.BigInteger(), nullable=False, server_default="0"))
    op.drop_index(op.f("ix_jobs_state_lease_until"), table_name="jobs")
    op.drop_column("jobs", "lease_until")


def downgrade() -> None:
    op.add_column("jobs", sql.Column("lease_until", sql.Double(), nullable=True))
    op.create_index(op.f("ix_jobs_state_lease_until"), "jobs", ["state", "lease_until"], unique=False)
    op.drop_column("jobs", "beats")
