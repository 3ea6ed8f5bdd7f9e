"""A worker whose main thread gets stuck once a file `stick` is in its data folder, beside the kinds of these tests.

Loaded through Celery's own `--include`.
"""

from __future__ import annotations

import time
from typing import Any

from celery import signals

import tests.worker.without_engine  # noqa: F401
from worker.process import environment


def _watch(sender: Any, **_: Any) -> None:
    hub = sender.hub

    def look() -> None:
        if (environment.data_dir / "stick").exists():
            (environment.data_dir / "stuck").touch()
            time.sleep(600)

    hub.call_repeatedly(0.2, look)


signals.worker_ready.connect(_watch)
