"""The kinds of these tests, in a worker that does not load the engine, which none of them needs.

It starts in a third of the time. Loaded through Celery's own `--include`.
"""

from __future__ import annotations

import tests.worker.kinds  # noqa: F401
from worker import process

process.preload = lambda drafts: None
process.ready_for_drafts = lambda: None
