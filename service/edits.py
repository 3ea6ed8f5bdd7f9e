"""One edit of a fab, over HTTP: it names the revision that it started from, and leaves who, what and when."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any

from fastapi import Header

from service.backing import Backing
from service.callers import Caller
from service.conditions import strong_tags
from service.errors import ProtocolError
from worker.errors import SettingsError
from worker.fab_profile import FabProfile, read_fab_profile, revision_of
from worker.ledger.fabs import Edit, StoredFab

JSON_TAG = "-json"
"""What the entity tag of a fab's JSON view has more than its TOML's: two representations, two tags."""
MOST_NAME = 100

IfMatch = Annotated[
    str | None, Header(description="the revision that the edit started from, as ETag gave it", examples=['"5c1f0e9b"'])
]
EditedBy = Annotated[
    str | None, Header(description="who edits, for the history; `by` in a JSON body says the same", examples=["Ada"])
]
TAG_HEADER: dict[str, Any] = {"ETag": {"description": "the revision", "schema": {"type": "string"}}}


def read_stored(stored: StoredFab) -> FabProfile:
    """The profile of a revision."""
    return read_fab_profile(stored.toml, file_name=f"fab {stored.id}")


def who(*given: str | None) -> str:
    """The first name that is given, "" for none. Raises SettingsError where it is no name."""
    name = next((text.strip() for text in given if text and text.strip()), "")
    if len(name) > MOST_NAME or not name.isprintable():
        raise SettingsError(
            f"Who edits is {name[:64]!r}.", mend=f"Write a name of at most {MOST_NAME} letters in one line."
        )
    return name


def edit_fab(
    backing: Backing, editor: Caller, fab_id: str, if_match: str | None, change: Callable[[bytes], bytes], edit: Edit
) -> tuple[StoredFab, FabProfile]:
    """Make what `change` makes of the current revision the next one.

    Raises
    ------
    ProtocolError
        `if_match` is missing, or names no longer the current revision.
    NotFoundError, FabProfileError
        As `change` does.
    """
    current = backing.ledger.fabs.get(editor.owner, fab_id)
    check_match(current, if_match)
    fab = read_fab_profile(change(current.toml), file_name=f"fab {fab_id}")
    return keep_edit(backing, editor, current, fab.toml, edit), fab


def keep_edit(backing: Backing, editor: Caller, before: StoredFab, toml: bytes, edit: Edit) -> StoredFab:
    """Make these bytes, a valid profile, the next revision. Raises ProtocolError where another edit came between."""
    fabs, owner = backing.ledger.fabs, editor.owner
    if not fabs.replace(
        owner, before.id, revision_of(toml), toml, started_from=before.revision, edit=replace(edit, key=editor.key)
    ):
        raise stale(before.id, "was edited by another just now")
    return fabs.get(owner, before.id)


def check_match(current: StoredFab, if_match: str | None) -> None:
    """Raise ProtocolError unless the header names the current revision."""
    if if_match is None:
        raise ProtocolError(
            "precondition-missing",
            f"Fab {current.id!r} exists, and the request does not say which revision it edits.",
            mend="Send the ETag of GET as If-Match.",
        )
    wanted = [tag.removesuffix(JSON_TAG) for tag in strong_tags(if_match)]
    if not {"*", current.revision} & set(wanted):
        raise stale(current.id, f"is at revision {current.revision} by now")


def stale(fab_id: str, why: str) -> ProtocolError:
    """The error for an edit that started from what is no longer current."""
    return ProtocolError(
        "stale", f"Fab {fab_id!r} {why}.", mend="Read it again, bring your edit to it, and send that with its new ETag."
    )
