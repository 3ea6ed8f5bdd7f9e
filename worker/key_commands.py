"""The commands `maskwright keys` and `maskwright audit`: the access keys of a service, and what was done."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from worker.command_line import ALL_DONE, add_command

if TYPE_CHECKING:
    from worker.ledger import Ledger
    from worker.settings import Environment

KEYS_EXAMPLES = """\
examples:
  maskwright keys make --owner ada --scopes submit,read --expires 90d --name 'night batch'
  maskwright keys list
  maskwright keys revoke 7f3kq9abcd

scopes: submit (ask for jobs, stop them, share results), read (look, get files), edit-fabs (add and edit fabs), admin
(keys and audit trail over HTTP). Each stands for itself. A key is shown once, when it is made; only a digest is kept.
From the first key on, every request to the service must carry one, also on this machine.
"""

MAKE_EXAMPLES = """\
examples:
  KEY=$(maskwright keys make --owner ada --scopes submit,read)
  maskwright keys make --owner night-shift --scopes submit,read,edit-fabs --expires 2027-01-31

The key alone goes to standard output, what it is to standard error.
"""

AUDIT_EXAMPLES = """\
examples:
  maskwright audit
  maskwright audit --owner ada --what fab-edited --limit 200
  maskwright audit --json > events.jsonl
"""

_BY = "command line"


def add_keys(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `keys` with its own commands."""
    parser = add_command(commands, "keys", "make, list and revoke the keys of the service", KEYS_EXAMPLES)
    actions = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    make = add_command(actions, "make", "make a key and show it, this once", MAKE_EXAMPLES)
    make.add_argument("--owner", required=True, help="whose jobs and fabs it opens; a new name makes a new owner")
    make.add_argument("--scopes", required=True, metavar="SCOPE,...", help="some of submit,read,edit-fabs,admin")
    make.add_argument("--name", default="", help="what it is for, in a line")
    make.add_argument("--expires", metavar="WHEN", help="12h, 90d, 8w, or a date such as 2027-01-31 (default: never)")
    make.set_defaults(run=_make)
    listed = add_command(
        actions, "list", "list keys, the newest first", "example:\n  maskwright keys list --owner ada\n"
    )
    listed.add_argument("--owner", help="only this owner's")
    listed.set_defaults(run=_list)
    revoke = add_command(actions, "revoke", "end keys, from the next request on", "see: maskwright keys list\n")
    revoke.add_argument("ids", nargs="+", metavar="ID", help="id of a key, as the list shows it")
    revoke.set_defaults(run=_revoke)
    forget = add_command(
        actions,
        "forget",
        "drop keys that are revoked or expired from the list",
        "Once no key is left, the service asks for none on a loopback address. The audit trail keeps its events.\n",
    )
    forget.set_defaults(run=_forget)
    links = add_command(
        actions,
        "revoke-links",
        "end every link that shares an owner's results",
        "examples:\n  maskwright keys revoke-links --owner ada\n  maskwright keys revoke-links --owner ada --job ID\n",
    )
    links.add_argument("--owner", required=True, help="whose links")
    links.add_argument("--job", default="", metavar="ID", help="only those to this job's result")
    links.set_defaults(run=_revoke_links)
    for one in (make, listed, revoke, forget, links):
        _add_data_dir(one)


def add_audit(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `audit`."""
    parser = add_command(commands, "audit", "show who edited fabs, and made, used and revoked keys", AUDIT_EXAMPLES)
    parser.add_argument("--owner", help="only events of this owner's things")
    parser.add_argument("--what", help="only such events, such as fab-edited, key-made, key-used, key-revoked")
    parser.add_argument("--limit", type=int, default=50, help="how many, the newest first (default: 50)")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.set_defaults(run=_audit)
    _add_data_dir(parser)


def _add_data_dir(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--data-dir", type=Path, metavar="DIR", help="folder of the service (default: MASKWRIGHT_DATA_DIR)"
    )


@contextmanager
def _opened(given: argparse.Namespace, *, new: bool = False) -> Iterator[tuple[Ledger, Environment]]:
    """The ledger of the service; a data folder is made only where `new` says that it may be."""
    from worker.errors import NotFoundError
    from worker.ledger import Ledger
    from worker.settings import read_environment

    environment = read_environment()
    if given.data_dir is not None:
        environment = environment.model_copy(update={"data_dir": given.data_dir})
    if not new and not environment.database_url and not (environment.data_dir / "ledger.sqlite").is_file():
        raise NotFoundError(
            f"There is no service's data in {environment.data_dir}.", mend="Name its folder with --data-dir."
        )
    if not environment.database_url:
        environment.data_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
    ledger = Ledger(environment.database, pooled=False)
    try:
        ledger.migrate()
        yield ledger, environment
    finally:
        ledger.close()


def _make(given: argparse.Namespace) -> int:
    from worker.access_key import new_key, read_expiry, read_name, read_owner, read_scopes
    from worker.ledger.keys import Doer
    from worker.service_secret import read_service_secret

    owner, scopes, name = read_owner(given.owner), read_scopes(given.scopes.split(",")), read_name(given.name)
    expires = None if given.expires is None else read_expiry(given.expires, datetime.now(UTC))
    key = new_key()
    with _opened(given, new=True) as (ledger, environment):
        secret = read_service_secret(environment)
        ledger.keys.add(
            key.id,
            owner=owner,
            scopes=scopes,
            name=name,
            digest=key.digest(secret),
            secret_id=secret.id,
            expires=None if expires is None else expires.timestamp(),
            doer=Doer(by=_BY),
        )
    until = "never ends" if expires is None else f"ends {_moment(expires.timestamp())}"
    print(f"Key {key.id} of {owner}: {', '.join(scopes)}; {until}. It is shown this once; keep it:", file=sys.stderr)
    sys.stderr.flush()
    print(key.text)
    return ALL_DONE


def _list(given: argparse.Namespace) -> int:
    with _opened(given) as (ledger, _):
        keys = ledger.keys.all(given.owner)
    rows = [
        (
            key.id,
            key.owner,
            ",".join(key.scopes),
            key.state,
            _moment(key.made),
            _moment(key.expires),
            _moment(key.used),
            key.name,
        )
        for key in keys
    ]
    _print_table(("id", "owner", "scopes", "state", "made", "expires", "last used", "name"), rows)
    return ALL_DONE


def _revoke(given: argparse.Namespace) -> int:
    from worker.ledger.keys import Doer

    with _opened(given) as (ledger, _):
        for key_id in given.ids:
            ledger.keys.get(key_id)
        for key_id in given.ids:
            key = ledger.keys.revoke(key_id, doer=Doer(by=_BY))
            print(f"{key.id} of {key.owner} is revoked")
    return ALL_DONE


def _forget(given: argparse.Namespace) -> int:
    from worker.ledger.keys import Doer

    with _opened(given) as (ledger, environment):
        gone = ledger.keys.forget(doer=Doer(by=_BY))
        open_again = bool(gone) and not ledger.keys.exist() and not environment.key.get_secret_value()
    print(f"{gone} dropped")
    if open_again:
        print("No key is left: on a loopback address the service asks for none now.")
    return ALL_DONE


def _revoke_links(given: argparse.Namespace) -> int:
    from worker.access_key import read_owner
    from worker.ledger.keys import Doer

    owner = read_owner(given.owner)
    with _opened(given) as (ledger, _):
        if given.job:
            ledger.jobs.get(owner, given.job)
        ledger.links.revoke(owner, given.job, doer=Doer(by=_BY))
    print(f"links to {f'job {given.job}' if given.job else 'all results'} of {owner} lead nowhere now")
    return ALL_DONE


def _audit(given: argparse.Namespace) -> int:
    from worker.errors import SettingsError
    from worker.ledger.audit import WHAT

    if given.what is not None and given.what not in WHAT:
        raise SettingsError(f"--what is {given.what!r}.", mend=f"Choose one of: {', '.join(WHAT)}.")
    if given.limit < 1:
        raise SettingsError(f"--limit is {given.limit}.", mend="Give 1 or more.")
    with _opened(given) as (ledger, _):
        events = ledger.audit.page(before=None, size=given.limit, owner=given.owner, what=given.what)
    if given.json:
        for event in events:
            print(json.dumps({**asdict(event), "at": datetime.fromtimestamp(event.at, UTC).isoformat()}))
        return ALL_DONE
    rows = [(_moment(one.at), one.what, one.owner, one.subject, one.key, one.by, one.detail) for one in events]
    _print_table(("at", "what", "owner", "subject", "key", "by", "detail"), rows)
    return ALL_DONE


def _moment(seconds: float | None) -> str:
    return "" if seconds is None else datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _print_table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> None:
    """Columns as wide as their widest cell, "-" where a cell is empty."""
    lines = [head, *(tuple(cell or "-" for cell in row) for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    for line in lines:
        print("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())
