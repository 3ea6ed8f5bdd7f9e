"""A failure may name the one setting that it is about."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

TABLES = ("jobs", "members")


def upgrade() -> None:
    for table in TABLES:
        op.add_column(table, sql.Column("error_setting", sql.String(length=64), nullable=True))


def downgrade() -> None:
    for table in TABLES:
        op.drop_column(table, "error_setting")
