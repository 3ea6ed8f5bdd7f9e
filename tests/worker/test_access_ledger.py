"""Keys, revoked links, the audit trail and an owner's room in the queue, on both databases."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sql

from worker.errors import NotFoundError, QueueFullError
from worker.job import JobRequest
from worker.ledger import Ledger
from worker.ledger.audit import FAB_EDITED, KEY_USED
from worker.ledger.fabs import Edit
from worker.ledger.keys import Doer, usable_key_exists
from worker.ledger.links import LinkRound
from worker.ledger.tables import api_keys, metadata

DOER = Doer(key="k", by="Ada")


@pytest.fixture
def ledger(url: str) -> Iterator[Ledger]:
    ledger = Ledger(url)
    ledger.migrate()
    with ledger.database.writing() as connection:
        for table in reversed(metadata.sorted_tables):
            connection.execute(sql.delete(table))
    ledger.fabs.create("ada", "fab", "r1", b"first", Edit(what="added", key="k", by="Ada"))
    yield ledger
    ledger.close()


def add_key(ledger: Ledger, key_id: str, expires: float | None = None) -> None:
    ledger.keys.add(
        key_id, owner="ada", scopes=("submit", "read"), digest="d" * 64, secret_id="s" * 16, expires=expires, doer=DOER
    )


def what(ledger: Ledger, **only: str) -> list[str]:
    return [event.what for event in ledger.audit.page(before=None, size=99, **only)]


def test_a_key_lives_is_used_ends_and_is_forgotten(url: str, ledger: Ledger) -> None:
    assert not ledger.keys.exist() and ledger.keys.find("a") is None and not usable_key_exists(url)
    add_key(ledger, "a")
    add_key(ledger, "b", expires=1.0)
    found = ledger.keys.find("a")
    assert found is not None and found[1] == "d" * 64 and found[0].state == "usable" and found[0].used is None
    assert ledger.keys.get("b").state == "expired" and usable_key_exists(url)
    ledger.keys.note_use(found[0])
    used = ledger.keys.get("a")
    assert used.used is not None and abs(used.used - used.seen) < 5
    ledger.keys.note_use(used)
    assert ledger.keys.revoke("a", doer=DOER).state == ledger.keys.revoke("a", doer=DOER).state == "revoked"
    assert not usable_key_exists(url) and ledger.keys.exist()
    assert [key.id for key in ledger.keys.all("ada")] == ["b", "a"] and ledger.keys.all("bob") == []
    assert ledger.keys.forget(doer=DOER) == 2 and not ledger.keys.exist()
    with pytest.raises(NotFoundError):
        ledger.keys.revoke("a", doer=DOER)
    assert what(ledger) == [
        "keys-forgotten", "keys-forgotten", "key-revoked", "key-used", "key-made", "key-made", "fab-edited"
    ]  # fmt: skip


def test_uses_of_a_key_at_one_moment_make_one_event(ledger: Ledger) -> None:
    add_key(ledger, "a")
    key = ledger.keys.get("a")
    threads = [threading.Thread(target=ledger.keys.note_use, args=(key,)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert what(ledger).count(KEY_USED) == 1


def test_the_use_of_a_day_is_told_of_once_and_on_the_next_day_again(ledger: Ledger) -> None:
    events = metadata.tables["audit_events"]
    for _ in range(3):
        ledger.audit.record_use_of_the_day(owner="local", key="environment")
    assert what(ledger).count(KEY_USED) == 1
    with ledger.database.writing() as connection:
        connection.execute(sql.update(events).values(at=events.c.at - 86400))
    ledger.audit.record_use_of_the_day(owner="local", key="environment")
    assert what(ledger).count(KEY_USED) == 2


def test_a_fab_edit_and_its_event_are_one(ledger: Ledger) -> None:
    assert ledger.fabs.replace("ada", "fab", "r2", b"2", started_from="r1", edit=Edit(what="x" * 999, by="B", key="q"))
    assert not ledger.fabs.replace("ada", "fab", "r3", b"3", started_from="r1")
    newest, first = ledger.audit.page(before=None, size=9, owner="ada", what=FAB_EDITED)
    assert (newest.subject, newest.by, newest.key) == ("fab", "B", "q") and newest.detail.endswith("; revision r2")
    assert first.detail == "added; revision r1" and ledger.audit.page(before=newest.seq, size=9) == [first]
    assert len(ledger.fabs.history("ada", "fab", before=None, size=9)) == 2


def request(owner: str = "ada", **changes: object) -> JobRequest:
    values: dict[str, object] = {
        "owner": owner, "kind": "convert", "lane": "batch", "name": "a.png", "artwork": "0" * 64, "artwork_bytes": 1,
        "fab_id": "fab", "fab_revision": "r1", "settings": {}, "fingerprint": "f", **changes,
    }  # fmt: skip
    return JobRequest(**values)  # type: ignore[arg-type]


def test_links_are_counted_by_owner_and_by_job(ledger: Ledger) -> None:
    ledger.fabs.create("bob", "fab", "r1", b"first")
    job, other = ledger.jobs.add(request())[0].id, ledger.jobs.add(request("bob"))[0].id
    assert ledger.links.round("none") is None
    assert ledger.links.round(job) == LinkRound(owner="ada", of_owner=0, of_job=0)
    for _ in range(2):
        ledger.links.revoke("ada", job, doer=DOER)
    ledger.links.revoke("ada", doer=DOER)
    assert ledger.links.round(job) == LinkRound(owner="ada", of_owner=1, of_job=2)
    assert ledger.links.round(other) == LinkRound(owner="bob", of_owner=0, of_job=0)


def test_an_owner_has_so_much_room_and_no_more(ledger: Ledger) -> None:
    ledger.fabs.create("bob", "fab", "r1", b"first")
    for number in range(2):
        ledger.jobs.add(request(idempotency_key=f"k{number}"), most_waiting=2)
    with pytest.raises(QueueFullError, match="2 jobs of owner ada") as full:
        ledger.jobs.add(request(), most_waiting=2)
    assert full.value.retry_seconds == 60
    assert ledger.jobs.add(request(idempotency_key="k1"), most_waiting=2)[1] is False
    assert ledger.jobs.knows("ada", "k1") and not ledger.jobs.knows("bob", "k1")
    ledger.jobs.add(request("bob"), most_waiting=2)
    ledger.jobs.add(request(kind="preview", lane="interactive"), most_waiting=1)
    with pytest.raises(QueueFullError, match="1 questions"):
        ledger.jobs.check_room("ada", asked=True, most=1)
    ledger.jobs.check_room("ada", asked=True, most=0)
    claim = ledger.jobs.claim("batch", "task")
    assert claim is not None
    ledger.jobs.cancel("ada", claim.job.id)
    ledger.jobs.add(request(), most_waiting=2)
    with pytest.raises(QueueFullError) as full:
        ledger.jobs.add(request(), most_waiting=2)
    assert full.value.retry_seconds <= 30, "one has ended just now"


def test_at_one_moment_no_more_are_taken_on_sqlite(tmp_path: Path) -> None:
    ledger = Ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}")
    ledger.migrate()
    ledger.fabs.create("ada", "fab", "r1", b"first")
    refused: list[QueueFullError] = []

    def ask() -> None:
        try:
            ledger.jobs.add(request(), most_waiting=5)
        except QueueFullError as error:
            refused.append(error)

    threads = [threading.Thread(target=ask) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(refused) == 7 and ledger.jobs.waiting()["batch"] == 5
    ledger.close()


def test_the_audit_trail_begins_with_the_edits_of_earlier_versions(tmp_path: Path) -> None:
    from tests.worker.test_migrations import migrate
    from worker.ledger.database import Database

    address = f"sqlite:///{tmp_path / 'old.sqlite'}"
    old = Database(address, pooled=False)
    migrate(old, "0003")
    with old.writing() as connection:
        for number, name in enumerate(("added", "edited")):
            event = {
                "owner": "ada",
                "id": "fab",
                "revision": f"r{number}",
                "what": name,
                "by": "Ada",
                "at": number + 5.0,
            }
            connection.execute(sql.insert(metadata.tables["fab_events"]).values(event))
    old.close()
    ledger = Ledger(address)
    ledger.migrate()
    found = [(event.at, event.detail, event.by, event.key) for event in ledger.audit.page(before=None, size=9)]
    assert found == [(6.0, "edited; revision r1", "Ada", ""), (5.0, "added; revision r0", "Ada", "")]
    with ledger.database.reading() as connection:
        assert connection.execute(sql.select(sql.func.count()).select_from(api_keys)).scalar_one() == 0
    ledger.close()
