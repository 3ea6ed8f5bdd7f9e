"""A file of readings into a fab profile, for a request: read and edited in a worker, which can be killed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, BinaryIO

from worker.fab_profile import read_fab_profile

PROFILE = "profile.toml"
"""Name of the result file that is the edited profile."""


def import_readings(
    toml: bytes, file: BinaryIO, settings: Mapping[str, Any], *, fab_id: str
) -> tuple[bytes, list[dict[str, Any]]]:
    """The edited profile, and for each finish of the file how many readings were added or left out.

    `settings` : `name` of the file; `samples`, the finish of each; `finish` of all other samples; `defaults`, the
    fields of `ReadingDefaults`. Raises as `read_readings`, `to_finishes` and `add_readings` do.
    """
    from worker.profile_edits import add_readings, new_readings
    from worker.reading_files import ReadingDefaults, read_readings, to_finishes

    name, place = settings["name"], f"fab {fab_id}"
    fab = read_fab_profile(toml, file_name=place)
    named = read_readings(file.read(), file_name=name, defaults=ReadingDefaults(**settings["defaults"]))
    ids = [finish.id for finish in fab.finishes]
    found = to_finishes(named, ids, file_name=name, samples=settings["samples"], finish=settings["finish"])
    fresh = new_readings(fab, found)
    edited = add_readings(toml, fresh, file_name=place) if fresh else toml
    counted, added = (Counter(finish for finish, _ in readings) for readings in (found, fresh))
    return edited, [
        {"finish": finish, "added": added[finish], "left_out": count - added[finish]}
        for finish, count in counted.items()
    ]
