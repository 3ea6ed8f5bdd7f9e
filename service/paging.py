"""Pages of long lists: each leads to the next by the place where it ended, so that new entries never move a page."""

from __future__ import annotations

from worker.errors import SettingsError


def read_cursor(cursor: str | None) -> int | None:
    """The place before which a page begins, None for the first. Raises SettingsError."""
    if cursor is None:
        return None
    if not (cursor.isascii() and cursor.isdigit() and len(cursor) < 19):
        raise SettingsError(
            f"cursor is {cursor[:64]!r}.", mend="Take it from `next` of the page before.", setting="cursor"
        )
    return int(cursor)
