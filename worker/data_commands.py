"""The commands that look after what a service keeps: `backup`, `restore`, `verify`, `doctor`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from worker.command_line import ALL_DONE, SOME_FAILED, add_command
from worker.errors import SettingsError

if TYPE_CHECKING:
    from worker.settings import Environment

BACKUP_EXAMPLES = """\
examples:
  maskwright backup /mnt/disk/monday
  maskwright backup /mnt/disk/monday.tar --data-dir /srv/maskwright

The service may run and work meanwhile. The target must be new; it appears when it is whole, and not at all otherwise.
It holds keys and artworks: keep it as safe as the service. With DATABASE_URL or STORE_URL, use their own programs:
first the database (pg_dump), then the bucket. Objects never change, so a bucket copied later holds all that the
database names, but for what expired in between; 'maskwright verify' tells.
exit status: 0 done; 1 done, but objects were missing or damaged; 2 not done
"""

RESTORE_EXAMPLES = """\
examples:
  maskwright restore /mnt/disk/monday --data-dir /srv/maskwright
  maskwright restore /mnt/disk/monday.tar --data-dir /srv/maskwright

The data directory must be new or empty. Every file is checked against the backup's manifest first. Jobs that waited
or ran when the backup was taken are done when the service starts.
"""

VERIFY_EXAMPLES = """\
examples:
  maskwright verify
  maskwright verify --data-dir /srv/maskwright

Reads every artwork, result and profile that a job needs, in the store that the environment names, and compares its
SHA-256 with the recorded one. The service may run meanwhile.
exit status: 0 all whole; 1 something is missing or damaged; 2 it could not look
"""

DOCTOR_EXAMPLES = """\
examples:
  maskwright doctor
  maskwright doctor --data-dir /srv/maskwright

It looks at the program, the data directory, the database, the broker, the store and the clock, changes nothing, and
says what to mend.
exit status: 0 it can work; 1 something has to be mended
"""


def add_data_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add them to the command line."""
    parser = add_command(commands, "backup", "copy all that a service keeps, while it runs", BACKUP_EXAMPLES)
    parser.add_argument("target", type=Path, metavar="DIR|FILE.tar", help="a new folder, or a new file")
    _add_data_dir(parser)
    parser.set_defaults(run=_backup)
    parser = add_command(commands, "restore", "make a data directory of a backup", RESTORE_EXAMPLES)
    parser.add_argument("source", type=Path, metavar="DIR|FILE.tar", help="what 'maskwright backup' made")
    _add_data_dir(parser)
    parser.set_defaults(run=_restore)
    parser = add_command(commands, "verify", "read all that is stored and compare it with its hashes", VERIFY_EXAMPLES)
    _add_data_dir(parser)
    parser.set_defaults(run=_verify)
    parser = add_command(commands, "doctor", "look at the installation and say what to mend", DOCTOR_EXAMPLES)
    _add_data_dir(parser)
    parser.set_defaults(run=_doctor)


def _add_data_dir(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--data-dir", type=Path, metavar="DIR", help="the service's folder (default: MASKWRIGHT_DATA_DIR)"
    )


def _environment(given: argparse.Namespace) -> Environment:
    from worker.settings import read_environment

    environment = read_environment()
    return environment.model_copy(update={"data_dir": given.data_dir or environment.data_dir})


def _backup(given: argparse.Namespace) -> int:
    from worker.backup import back_up

    environment = _environment(given)
    if environment.database_url or environment.store_url:
        name = "DATABASE_URL" if environment.database_url else "STORE_URL"
        raise SettingsError(
            f"{name} is set: not all that is kept lies in {environment.data_dir}.",
            mend="Back up the database with its own program (pg_dump) first, then the store; see the README.",
        )
    backup = back_up(environment.data_dir, given.target)
    print(f"{given.target}: {len(backup.files)} files, {backup.bytes / 1e6:.1f} MB")
    for word, keys in (("missing", backup.missing), ("damaged", backup.damaged)):
        for key in keys:
            print(f"{word}: {key}")
    return SOME_FAILED if backup.missing or backup.damaged else ALL_DONE


def _restore(given: argparse.Namespace) -> int:
    from worker.backup import restore

    data_dir = _environment(given).data_dir
    backup = restore(given.source, data_dir)
    print(f"{data_dir}: {len(backup.files)} files, {backup.bytes / 1e6:.1f} MB, every one as it was")
    print(f"Start the service on it: maskwright serve --data-dir {data_dir}")
    return ALL_DONE


def _verify(given: argparse.Namespace) -> int:
    from worker.integrity import Fault, verify
    from worker.ledger import Ledger
    from worker.storage import open_store

    environment = _environment(given)
    if not environment.database_url and not (environment.data_dir / "ledger.sqlite").is_file():
        raise SettingsError(
            f"{environment.data_dir} holds no ledger.sqlite.", mend="Name the service's folder: --data-dir."
        )

    def tell(fault: Fault) -> None:
        print(f"{f'job {fault.job_id}: ' if fault.job_id else ''}{fault.what}\n  {fault.mend}", flush=True)

    ledger = Ledger(environment.database)
    try:
        ledger.migrate()
        told = verify(ledger, open_store(environment), tell)
    finally:
        ledger.close()
    print(f"{told.objects} objects, {told.bytes / 1e6:.1f} MB, {told.faults} fault{'' if told.faults == 1 else 's'}")
    return SOME_FAILED if told.faults else ALL_DONE


def _doctor(given: argparse.Namespace) -> int:
    from worker.doctor import examine

    wrong = 0
    for finding in examine(_environment(given)):
        wrong += finding.state == "wrong"
        mark = {"good": "ok   ", "note": "note ", "wrong": "WRONG"}[finding.state]
        print(f"{mark} {finding.part}: {finding.what}", flush=True)
        if finding.mend:
            print(f"        {finding.mend}")
    print(f"{wrong} to be mended" if wrong else "It can work.")
    return SOME_FAILED if wrong else ALL_DONE
