"""Access keys, the audit trail (with every fab edit so far), revoked links, an index to count an owner's jobs by."""

from __future__ import annotations

import sqlalchemy as sql
from alembic import op

revision = "0004"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "api_keys",
        sql.Column("id", sql.String(length=16), nullable=False),
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("scopes", sql.String(length=64), nullable=False),
        sql.Column("name", sql.String(length=100), nullable=False),
        sql.Column("digest", sql.String(length=64), nullable=False),
        sql.Column("secret_id", sql.String(length=16), nullable=False),
        sql.Column("made", sql.Double(), nullable=False),
        sql.Column("expires", sql.Double(), nullable=True),
        sql.Column("used", sql.Double(), nullable=True),
        sql.Column("revoked", sql.Double(), nullable=True),
        sql.PrimaryKeyConstraint("id", name=op.f("pk_api_keys")),
    )
    op.create_table(
        "audit_events",
        sql.Column("seq", sql.BigInteger().with_variant(sql.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sql.Column("at", sql.Double(), nullable=False),
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("key", sql.String(length=16), nullable=False),
        sql.Column("what", sql.String(length=32), nullable=False),
        sql.Column("subject", sql.String(length=64), nullable=False),
        sql.Column("detail", sql.String(length=255), nullable=False),
        sql.Column("by", sql.String(length=100), nullable=False),
        sql.PrimaryKeyConstraint("seq", name=op.f("pk_audit_events")),
    )
    op.create_index(op.f("ix_audit_events_owner_seq"), "audit_events", ["owner", "seq"], unique=False)
    op.create_index(op.f("ix_audit_events_what_subject_at"), "audit_events", ["what", "subject", "at"], unique=False)
    op.create_table(
        "link_revocations",
        sql.Column("owner", sql.String(length=64), nullable=False),
        sql.Column("job_id", sql.String(length=32), nullable=False),
        sql.Column("times", sql.Integer(), nullable=False),
        sql.PrimaryKeyConstraint("owner", "job_id", name=op.f("pk_link_revocations")),
    )
    op.create_index(
        op.f("ix_jobs_owner_kind_state_finished"), "jobs", ["owner", "kind", "state", "finished"], unique=False
    )
    op.execute(
        sql.text(
            'INSERT INTO audit_events ("at", owner, "key", what, subject, detail, "by") '
            "SELECT \"at\", owner, '', 'fab-edited', id, substr(what, 1, 215) || '; revision ' || revision, \"by\" "
            "FROM fab_events ORDER BY seq"
        )
    )


def downgrade() -> None:
    op.drop_index(op.f("ix_jobs_owner_kind_state_finished"), table_name="jobs")
    op.drop_table("link_revocations")
    op.drop_index(op.f("ix_audit_events_what_subject_at"), table_name="audit_events")
    op.drop_index(op.f("ix_audit_events_owner_seq"), table_name="audit_events")
    op.drop_table("audit_events")
    op.drop_table("api_keys")
