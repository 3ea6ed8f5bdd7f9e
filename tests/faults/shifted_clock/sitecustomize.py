"""Shifts the time of day of a Python process, and of SQLite in it, by the seconds that a file says at that moment.

Python loads it by its name before anything else, where this folder stands in PYTHONPATH; the file is named by
SHIFTED_CLOCK. The steady clock stays as it is, as on a machine whose time of day is set.
"""

from __future__ import annotations

import os
import sqlite3.dbapi2
import time
from typing import Any

_true_time = time.time
_connect = sqlite3.dbapi2.connect


def _shifted() -> float:
    with open(os.environ["SHIFTED_CLOCK"]) as file:
        return _true_time() + float(file.read() or 0)


def _connected(*arguments: Any, **named: Any) -> sqlite3.Connection:
    connection = _connect(*arguments, **named)
    connection.create_function("julianday", 1, lambda what: _shifted() / 86400.0 + 2440587.5)
    return connection


time.time = _shifted
sqlite3.dbapi2.connect = _connected  # type: ignore[assignment]
