"""Runs the migrations on the connection that worker/ledger/database.py hands over."""

from __future__ import annotations

from alembic import context

from worker.ledger.tables import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, render_as_batch=True)
context.run_migrations()
