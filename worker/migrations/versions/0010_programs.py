"""A result is known by the program that made it, so that a later one converts anew."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("jobs", sql.Column("program", sql.String(length=16), nullable=True))


def downgrade() -> None:
    op.drop_column("jobs", "program")
